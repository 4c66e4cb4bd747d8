// The mix: chorus and machine apart, how far the machine stands, how loud one listens.
import { fill, h, tellValue } from "./dom.js";

const decibels = (gain) =>
  gain <= 0.001 ? "silent" : `${(20 * Math.log10(gain)).toFixed(0)} dB`.replace("-", "−");

export class Mix {
  constructor(desk, view) {
    this.desk = desk;
    this.view = view;
    this.alone = "";
    this.faders = { chorus: 1, machine: 1, master: 0.8 };
  }

  apply() {
    const { chorus, machine, master } = this.faders;
    this.desk.sound.setGains({
      chorus: this.alone === "machine" ? 0 : chorus,
      machine: this.alone === "chorus" ? 0 : machine,
      master,
    });
  }

  fader(name, said, most) {
    const told = h("output", {}, decibels(this.faders[name]));
    const input = h("input", {
      type: "range",
      min: 0,
      max: 1,
      step: 0.01,
      value: Math.sqrt(this.faders[name] / most),
      "aria-label": said,
      "aria-valuetext": told.textContent,
    });
    input.addEventListener("input", () => {
      this.faders[name] = most * Number(input.value) ** 2;
      tellValue(input, decibels(this.faders[name]), told);
      this.apply();
    });
    return h("label.fader", {}, h("span", {}, said), input, told);
  }

  render() {
    const { state } = this.desk;
    if (!state) return;
    const only = (name, said) =>
      h(
        "button",
        {
          "aria-pressed": String(this.alone === name),
          onclick: () => {
            this.alone = this.alone === name ? "" : name;
            this.apply();
            this.render();
          },
        },
        said,
      );
    const said = `${state.distance_m.toFixed(1)} m`;
    const distance = h("input", {
      type: "range",
      min: 0,
      max: 1,
      step: 0.01,
      value: Math.log(state.distance_m / 0.5) / Math.log(400),
      "aria-label": "Distance of the machine",
      "aria-valuetext": said,
    });
    const metres = () => 0.5 * 400 ** Number(distance.value);
    const told = h("output", {}, said);
    distance.addEventListener("input", () => tellValue(distance, `${metres().toFixed(1)} m`, told));
    distance.addEventListener("change", () =>
      this.desk.change({
        op: "listen",
        distance_m: Math.round(metres() * 10) / 10,
        muted: state.muted,
      }),
    );
    fill(
      this.view,
      h("h2", {}, "Mix"),
      this.fader("chorus", "Chorus", 2),
      this.fader("machine", "Machine", 4),
      this.fader("master", "Listening level", 2),
      h("div.buttons", {}, only("chorus", "Chorus alone"), only("machine", "Machine alone")),
      h("label.fader", {}, h("span", {}, "Distance"), distance, told),
      h(
        "p.quiet",
        {},
        `The palette says ${state.palette.distance_m} m. Sound falls by 6 dB for each doubling, and the air takes the highs.`,
      ),
      h(
        "p.caution",
        {},
        "Start with the listening level low: bells close by and long loud listening harm hearing for good.",
      ),
      h("h3", {}, "A against B"),
      h(
        "p.quiet",
        {},
        "Keys A and B hear the two sets; the louder is turned down until both are equally loud (BS.1770) over the loop, or else the 20 s from the playhead on.",
      ),
      (this.equal ??= h("p", {})),
    );
    this.tellEqual();
  }

  tellEqual() {
    if (!this.equal) return;
    const found = this.desk.loudness;
    const one = (slot) =>
      found?.lufs[slot] === null || found?.lufs[slot] === undefined
        ? "too faint or short"
        : `${found.lufs[slot].toFixed(1)} LUFS${found.gain_db[slot] < -0.05 ? `, turned by ${found.gain_db[slot].toFixed(1)} dB` : ""}`.replaceAll(
            "-",
            "−",
          );
    this.equal.textContent = found
      ? `A ${one("a")}; B ${one("b")}`
      : "Not measured yet: press A or B.";
  }
}
