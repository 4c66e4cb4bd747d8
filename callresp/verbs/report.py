"""``callresp report``: a field log in, the day as a page and a picture out."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import PATH


@click.command(name="report")
@click.argument("log", type=PATH)
@options.output("Page to write (HTML); else beside the log.")
@click.option("--picture", type=PATH, help="Picture to write (PNG); else beside the page.")
@click.option("--title", help="Of the place or the day; else the log's name.")
@options.own_palette("log's")
@options.site
@options.json("Print one JSON object; write no file.")
def command(**given: object) -> None:
    """Tell a day in the field: one page that opens offline, and a picture to hang up.

    Calls and answers by the hour, which strikers worked, supply, energy and
    temperatures, faults and remarks, why calls were not answered, latencies
    and lost sound, and a round score of the whole day. A log that was cut, or
    that is still being written, is told as far as it goes. With --json only the
    figures are printed; with --site the night is shaded. Status 1 when the log holds faults.

    \b
    Examples:
      callresp report carr.log                 writes carr.report.html and .png
      callresp report carr.log --title "Hollin Carr" --site 54.2,-2.8
      callresp report carr.log --json | jq .unanswered
    """
    options.call("report.run", given)
