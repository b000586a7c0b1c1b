"""The view `results` beside what the command `runs` lists of the same runs."""

import json
import sqlite3
from contextlib import closing

from click.testing import CliRunner

from benchlog.cli import root

NAMES = ("offset_ppm", "u_ppm", "verdict", "readings")


def kept_rows(database):
    """Return the figures that the view has of each run, as any SQLite tool reads it."""
    asked = f"select run, {', '.join(NAMES)} from results order by run"
    with closing(sqlite3.connect(database)) as connection:
        return {run: row for run, *row in connection.execute(asked)}


def listed_rows(database):
    """Return the same figures as `runs --json` lists them."""
    done = CliRunner().invoke(root, ["runs", "--json", "--db", str(database)])
    assert done.exit_code == 0, done.output
    listed = sorted(json.loads(done.stdout), key=lambda one: one["run"])
    return {one["run"]: [one[name] for name in NAMES] for one in listed}
