"""Questions to a season, answered by duckdb from its Parquet.

Each is a SELECT over three views: `hours`, `calls` and `files`, with the columns of
`callresp.scout.survey` and `place` and `day` from the folders. Any other SELECT may be asked, too.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from callresp.errors import UserError
from callresp.scout.season import TABLES, read_manifest

QUESTIONS = {
    "first-last": (
        "First and last day on which it was here, by place.",
        """
        SELECT place, min(day) AS first_day, max(day) AS last_day, count(DISTINCT day) AS days,
               count(*) AS recordings
        FROM files WHERE present AND day <> 'unknown' GROUP BY place ORDER BY first_day, place
        """,
    ),
    "busiest-hour": (
        "The hour of the day with most calls an hour, by month and place.",
        """
        WITH by_hour AS (
            SELECT strftime(CAST(day AS DATE), '%Y-%m') AS month, place, hour,
                   3600.0 * sum(calls) / sum(listened_s) AS calls_per_h
            FROM hours WHERE hour IS NOT NULL GROUP BY ALL HAVING sum(calls) > 0
        )
        SELECT month, place, arg_max(hour, calls_per_h) AS hour,
               round(max(calls_per_h), 1) AS calls_per_h
        FROM by_hour GROUP BY month, place ORDER BY month, place
        """,
    ),
    "shared": (
        "Which places share it: on how many days it was at both.",
        """
        WITH here AS (SELECT DISTINCT place, day FROM files WHERE present AND day <> 'unknown')
        SELECT a.place, b.place AS other, count(*) AS days
        FROM here AS a JOIN here AS b ON a.day = b.day AND a.place < b.place
        GROUP BY ALL ORDER BY days DESC, a.place, other
        """,
    ),
    "by-day": (
        "Calls and hours listened, by day and place.",
        """
        SELECT day, place, sum(calls) AS calls, round(sum(listened_s) / 3600, 2) AS listened_h,
               round(3600.0 * sum(calls) / sum(listened_s), 1) AS calls_per_h
        FROM hours GROUP BY ALL ORDER BY day, place
        """,
    ),
    "faults": (
        "Recordings that were passed over, and why.",
        "SELECT place, path, fault FROM files WHERE fault <> '' ORDER BY place, path",
    ),
}


@dataclass(frozen=True, slots=True)
class Answer:
    """Columns and rows."""

    columns: tuple[str, ...]
    rows: tuple[tuple[object, ...], ...]


def ask(season: Path, question: str) -> Answer:
    """Ask a season: by the name of a question, or by a SELECT.

    Raises
    ------
    UserError
        When there is no season, duckdb is missing, or the question can't be answered.
    """
    duckdb = _duckdb()
    read_manifest(season)
    text = QUESTIONS[question][1] if question in QUESTIONS else question
    if not text.lstrip().lower().startswith(("select", "with")):
        raise UserError(
            f"no question '{question}'",
            argument="ask",
            remedy=f"ask one of {', '.join(QUESTIONS)}, or write a SELECT",
        )
    if not any(season.glob("place=*/day=*/files.parquet")):
        raise UserError("holds nothing yet", where=str(season), remedy="run callresp season first")
    connection = duckdb.connect()
    try:
        # duckdb would run them all, and hand back the rows of the last alone.
        if len(connection.extract_statements(text)) > 1:
            raise UserError("asks more than one thing", argument="ask", remedy="ask one at a time")
        for name in TABLES:
            pattern = str(season / "place=*" / "day=*" / f"{name}.parquet").replace("'", "''")
            connection.execute(
                f"CREATE VIEW {name} AS SELECT * FROM read_parquet('{pattern}',"
                " hive_partitioning = true, hive_types_autocast = false, union_by_name = true)"
            )
        found = connection.execute(text)
        columns = tuple(column[0] for column in found.description or ())
        return Answer(columns, tuple(found.fetchall()))
    except duckdb.Error as fault:
        what = " ".join(str(fault).split("\n")[0].split())
        raise UserError(what, argument="ask", remedy="mend the SELECT") from None
    finally:
        connection.close()


def _duckdb() -> ModuleType:
    try:
        import duckdb
    except ImportError:
        raise UserError(
            "questions to a season need the package duckdb",
            remedy="pip install 'callresp[season]'",
        ) from None
    return duckdb
