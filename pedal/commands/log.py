"""`pedal log`: what was practised, as text, as a chart or as a table."""

import argparse
import os
import sys
from contextlib import closing
from pathlib import Path

from ..errors import BadValue, FileError, file_errors
from ..export.tempo_svg import tempo_svg
from ..practice_log.store import LogReader
from ..practice_log.summary import csv_table, text_summary
from ..service.atomic_files import write_whole
from ..service.paths import log_to_read, spare_ours
from .exit_status import OK


def run(path: Path, tune: str | None, chart: Path | None, table: str | None, force: bool = False) -> None:
    """Print what is asked for, or write it; of one tune only, if it is named.

    Raises LogError, FileError for what cannot be written, and BadValue for what cannot be asked for. With
    `force` a file that is there is written over, but never what the box itself keeps.
    """
    for wanted in filter(None, (chart, Path(table) if table and table != "-" else None)):
        _check(wanted, path, force)
    with closing(LogReader(path)) as reader:
        sessions = reader.sessions()
        choruses = [entry for entry in reader.choruses() if tune in (None, entry.tune)]
        repetitions = [entry for entry in reader.repetitions() if tune in (None, entry.tune)]
    if tune and not (choruses or repetitions):
        raise BadValue(f"nothing of {tune!r} is in the practice log")
    if chart:
        if not repetitions:
            raise BadValue("no change has been drilled yet: there is nothing to draw")
        _write(chart, tempo_svg(repetitions))
    if table == "-":
        sys.stdout.write(csv_table(choruses, repetitions))
    elif table:
        _write(Path(table), csv_table(choruses, repetitions))
    if not chart and not table:
        print(text_summary(sessions, choruses, repetitions))


def _check(path: Path, log: Path, force: bool) -> None:
    with file_errors(f"{str(path)!r} cannot be written"):
        if not path.parent.is_dir():
            raise FileError(f"{str(path)!r}: there is no folder {str(path.parent)!r}")
        spare_ours(path, log)
        if path.exists() and not path.is_file():
            raise FileError(f"{str(path)!r} is there, and is no file")
        if os.path.lexists(path) and not force:  # a link that leads nowhere is somebody's, too
            raise FileError(f"{str(path)!r} is there already; --force writes over it")


def _write(path: Path, text: str) -> None:
    with file_errors(f"{str(path)!r} could not be written"):
        write_whole(path, text.encode())
    print(f"wrote {path}")


def do_log(arguments: argparse.Namespace) -> int:
    """As `run`, of the log that is named, or the usual one."""
    log = arguments.file or log_to_read()
    run(log, arguments.tune, arguments.chart, arguments.csv, arguments.force)
    return OK
