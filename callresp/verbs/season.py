"""``callresp season``: a season of recordings into Parquet, and questions to it."""

from __future__ import annotations

import click

from callresp.verbs import options
from callresp.verbs.options import FOLDER


@click.command(name="season")
@click.argument("folder", type=FOLDER)
@options.like
@click.option("-o", "--output", type=FOLDER, help="Folder of the season to begin or to go on with.")
@click.option(
    "--palette", help="Run the replier, too, with this palette: a shipped name or a TOML file."
)
@click.option("--rules", help="By this rule set, with --palette; else 'answer'.")
@options.whole("--workers", (1, None), "Processes; else one for each core.")
@click.option("--cluster", metavar="ADDRESS", help="A scheduler of the distributed package.")
@click.option("--ask", metavar="QUESTION", help="Ask a season: a name from below, or a SELECT.")
@options.json("One JSON object a line: a partition made, or a row of the answer.")
def command(**given: object) -> None:
    """Look through a season of recordings, or ask one that was made.

    FOLDER holds a folder for each place, or a places.toml; with --ask it is a
    season. Days are worked on at once, by all cores; a run that was stopped,
    killed, or found the disk full goes on where it was when it is started
    again. Recordings that can't be read are told and passed over.

    \b
    Questions for --ask:
      first-last     first and last day on which it was here
      busiest-hour   the hour with most calls, by month
      shared         which places share it
      by-day         calls and hours listened, by day
      faults         recordings that were passed over

    \b
    On a cluster, with callresp[cluster] and the recordings under the same
    paths everywhere: 'dask scheduler' on one computer, 'dask worker
    tcp://HOST:8786 --nthreads 1 --nworkers auto' on each.

    \b
    Examples:
      callresp season recordings/ --like call.wav -o season
      callresp season recordings/ --like call.wav -o season --cluster tcp://hub:8786
      callresp season season --ask first-last
      callresp season season --ask 'SELECT place, sum(calls) FROM hours GROUP BY place' --json
    """
    options.call("season.run", given)
