"""How a day's page looks: paper and ink by day, ink and paper by night, plain in print.

Inks of the light page are those of our pictures; those of the dark page are the
same hues, lightened until text stands at 4.5 : 1 and marks at 3 : 1 from the
page (WCAG 2.1, 1.4.3 and 1.4.11).
"""

from __future__ import annotations

from callresp.plots import style

LIGHT = {
    "paper": style.BACKGROUND,
    "ink": style.DARK,
    "soft": "#5f646b",
    "rule": style.GRID,
    "faint": style.SHADE,
    "call": style.CALL,
    "answer": style.ANSWER,
    "third": "#006b4c",
}
DARK = {
    "paper": "#1b1a14",
    "ink": "#e9e6dd",
    "soft": "#aaa89f",
    "rule": "#3d3b33",
    "faint": "#26251e",
    "call": "#8fb0ff",
    "answer": "#f0906a",
    "third": "#5cc49d",
}


def _inks(inks: dict[str, str]) -> str:
    return "".join(f"--{name}:{value};" for name, value in inks.items())


STYLE = f"""
:root{{color-scheme:light dark;{_inks(LIGHT)}}}
@media screen and (prefers-color-scheme:dark){{
:root{{{_inks(DARK)}}}
img.dial{{filter:invert(.92) hue-rotate(180deg)}}
}}
*{{box-sizing:border-box}}
body{{margin:0 auto;padding:1.2rem 1rem 4rem;max-width:60rem;background:var(--paper);
color:var(--ink);font:16px/1.5 system-ui,"Segoe UI","DejaVu Sans",sans-serif}}
h1,h2{{font-family:"STIX Two Text",Georgia,"DejaVu Serif",serif;font-weight:400;line-height:1.15}}
h1{{font-size:2.3rem;margin:.3em 0 .1em}}
h2{{font-size:1.45rem;margin:2.6rem 0 .4rem;padding-top:.5rem;border-top:1px solid var(--rule)}}
p{{margin:.4em 0}}
.soft,figcaption,.keys{{color:var(--soft)}}
.call-ink{{color:var(--call)}} .answer-ink{{color:var(--answer)}}
dl{{display:grid;grid-template-columns:repeat(auto-fit,minmax(8.2rem,1fr));gap:.9rem 1.2rem;
margin:1.3rem 0}}
dl div{{border-top:1px solid var(--rule);padding-top:.35rem}}
dt{{font-size:.85rem;color:var(--soft)}}
dd{{margin:0;font-size:1.35rem;font-variant-numeric:tabular-nums}}
dd small{{font-size:.85rem;color:var(--soft)}}
figure{{margin:1rem 0}}
img{{display:block;width:100%;height:auto}}
table{{border-collapse:collapse;width:100%;font-variant-numeric:tabular-nums;font-size:.95rem}}
caption{{text-align:left;color:var(--soft);padding-bottom:.3rem}}
th,td{{text-align:left;padding:.3rem .7rem .3rem 0;border-bottom:1px solid var(--rule);
vertical-align:top}}
thead th{{font-weight:400;color:var(--soft);font-size:.85rem;vertical-align:bottom}}
tbody th{{font-weight:400;min-width:5.2rem}}
.n{{text-align:right}}
.wide{{overflow-x:auto}}
.bar{{width:34%;min-width:3rem}}
.bar i{{display:block;height:.7rem;margin-top:.4rem;background:var(--answer)}}
.bar i.quiet{{background:var(--soft)}}
details{{margin:.6rem 0}} summary{{cursor:pointer;color:var(--soft)}}
.chart{{position:relative;height:14rem;margin:.4rem 0 2rem;padding-left:3.6rem}}
.chart svg{{width:100%;height:100%;display:block;overflow:visible}}
.chart .up span{{position:absolute;left:0;width:3.2rem;text-align:right;font-size:.8rem;
line-height:1;transform:translateY(50%);color:var(--soft)}}
.chart .up{{position:absolute;left:0;top:0;bottom:0;width:3.2rem}}
.chart .across{{position:relative;height:0;margin:0}}
.chart .across span{{position:absolute;top:.35rem;transform:translateX(-50%);font-size:.8rem;
white-space:nowrap;color:var(--soft)}}
.low{{height:2.2rem}}
rect.call{{fill:var(--call)}} rect.answer{{fill:var(--answer)}} rect.third{{fill:var(--soft)}}
path{{fill:none;vector-effect:non-scaling-stroke}}
.rule{{stroke:var(--rule);stroke-width:1}}
.line{{stroke-width:1.6}}
.line.call{{stroke:var(--call)}} .line.answer{{stroke:var(--answer)}}
.line.third{{stroke:var(--third)}}
path.limit{{stroke:var(--ink);stroke-width:1;stroke-dasharray:5 4}}
.keys{{font-size:.85rem}} .keys span{{margin-right:1.2rem;white-space:nowrap}}
.key{{display:inline-block;width:1.3rem;height:0;border-top:3px solid var(--soft);
vertical-align:middle;margin-right:.4rem}}
.key.call{{border-color:var(--call)}} .key.answer{{border-color:var(--answer)}}
.key.third{{border-color:var(--third)}} .key.limit{{border-top:1px dashed var(--ink)}}
.fault{{color:var(--answer)}}
@media print{{
:root{{--paper:#fff}}
body{{max-width:none;padding:0;font-size:10pt}}
h2{{break-after:avoid;margin-top:1.4rem}}
section,figure,.chart,tr,dl{{break-inside:avoid}} .long{{break-inside:auto}}
img.dial{{width:15.5cm;max-width:100%;margin:0 auto}}
.chart{{height:4.6cm}}
*{{print-color-adjust:exact;-webkit-print-color-adjust:exact}}
}}
"""
