"""The command line: one function a subcommand, importing what it needs only when it runs.

``terrace --help`` has to answer at once, so nothing heavier than argparse is imported here.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from app import commands as jobs
    from app.exchange.log_file import Facts, RowError
    from app.exchange.tables import Table
    from app.training.records import BlockSpan

else:

    class Jobs:
        """What needs a database is done in `app.commands`, imported only when one of these runs."""

        def __getattr__(self, name: str) -> Callable[..., int]:
            from app import commands

            return getattr(commands, name)

    jobs = Jobs()

BAD = 2  # Bad usage or bad input, the same code argparse leaves with.


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="terrace",
        description="Coach strength athletes at a distance: logs, recent baselines, blocks and trends.",
        epilog="Example: terrace analyse LOG.csv --as-of 2026-03-01",
    )
    parser.add_argument("--version", action="store_true", help="print the version and leave")
    commands = parser.add_subparsers(metavar="COMMAND")
    for add in COMMANDS:
        add(commands)
    options = parser.parse_args(arguments)
    if options.version:
        print(_version())
        return 0
    if not hasattr(options, "run"):
        parser.print_help()
        return BAD
    try:
        return int(options.run(options))
    except BrokenPipeError:
        # The reader of our output went away (| head); nothing is left to tell anybody.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1


def _version() -> str:
    from app import __version__

    return __version__


def _say(text: str) -> None:
    print(text, file=sys.stderr)


# analyse


def add_analyse(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "analyse",
        help="analyse a log file, without any database",
        description="Analyse the lifters of a log file as of a day. Reads two files and stores nothing.",
        epilog="Example: terrace analyse LOG.csv --blocks BLOCKS.csv --as-of 2026-03-01 --format table",
    )
    parser.add_argument(
        "log", metavar="LOG.csv", help="one row a set: lifter, date, exercise, load_kg, reps, ..."
    )
    parser.add_argument(
        "--blocks", metavar="BLOCKS.csv", help="one row a block: lifter, block, kind, start, end"
    )
    parser.add_argument(
        "--as-of", required=True, type=_iso_date, metavar="YYYY-MM-DD", help="use sets up to this day only"
    )
    parser.add_argument("--format", choices=("json", "table"), default="json")
    parser.set_defaults(run=analyse)


def _iso_date(text: str) -> date:
    from datetime import date

    try:
        if len(text) != 10:
            raise ValueError
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no date as YYYY-MM-DD") from None


def analyse(options: argparse.Namespace) -> int:
    from app.exchange import analysis_report, log_file
    from app.exchange.tables import Refused
    from app.training.records import AnalysisSettings

    as_of = options.as_of.toordinal()
    try:
        log = log_file.read_log(_table(options.log, log_file.FIELDS))
        blocks, wrong = _blocks(options.blocks)
    except Refused as refused:
        _say(f"terrace: {refused}")
        return BAD
    for error in (*log.errors, *wrong):
        _say(str(error))
    if log.stopped_at is not None:
        _say(f"Reading stopped at line {log.stopped_at:,} after {len(log.errors):,} errors.")
    if log.dates is not None and log.dates.certain is not None:
        _say(
            f"All refused dates can be read as {log.dates.certain}; import the file in the browser to do so."
        )
    if log.error_count or wrong:
        _say(f"terrace: nothing was analysed because of {log.error_count + len(wrong):,} errors.")
        return BAD
    _tell_facts(options.log, log.facts)
    rows = log_file.select(log.rows, log.rows.day <= as_of)
    unknown = sorted(set(blocks) - set(log.rows.lifters))
    if unknown:
        _say(f"{options.blocks}: no sets of {', '.join(unknown[:10])}; their blocks are not used.")
    if not len(rows):
        _say(f"{options.log}: no set is dated {options.as_of} or earlier.")
    with _progress(len(rows)) as tick:
        analyses = analysis_report.analyse_log(
            rows, blocks, as_of=as_of, settings=AnalysisSettings(), progress=tick
        )
    result = analysis_report.report(analyses, as_of=as_of, version=_version())
    if options.format == "table":
        output = analysis_report.text_table(result).encode()
    else:
        import orjson

        output = orjson.dumps(result, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)
    sys.stdout.buffer.write(output)
    sys.stdout.flush()
    return 0


def _table(path: str, expected: Sequence[str]) -> Table:
    from pathlib import Path

    from app.exchange.tables import read_file, read_table

    return read_table(read_file(Path(path)), path, expected=expected)


def _blocks(path: str | None) -> tuple[Mapping[str, Sequence[BlockSpan]], Sequence[RowError]]:
    if path is None:
        return {}, ()
    from app.exchange import blocks_file

    found = blocks_file.read_blocks(_table(path, blocks_file.FIELDS))
    for clash in found.overlaps:
        _say(f"{clash} The earlier block is taken to end the day before.")
    if found.unknown_columns:
        _say(f"{path}: columns not used: {', '.join(found.unknown_columns)}.")
    return found.blocks, found.errors


def _tell_facts(path: str, facts: Facts) -> None:
    """What a reader of the result should know about the reading of the file."""
    from app.exchange.tables import DELIMITERS

    if facts.unknown_columns:
        _say(f"{path}: columns not used: {', '.join(facts.unknown_columns)}.")
    told = []
    if not facts.encoding_sure:
        told.append(f"text guessed to be {facts.encoding}")
    if facts.delimiter not in ("", ","):
        told.append(f"{DELIMITERS.get(facts.delimiter, facts.delimiter)} between cells")
    if "," in facts.decimal_mark:
        told.append("decimal comma")
    if "lb" in facts.unit:
        told.append(f"loads in {facts.unit}")
    if told:
        _say(f"{path}: read with {', '.join(told)}.")
    if facts.repeated_keys:
        _say(
            f"{path}: {facts.repeated_keys:,} rows have the lifter, date, exercise and set number of an "
            "earlier row."
        )


@contextmanager
def _progress(total: int) -> Iterator[Callable[[int], object] | None]:
    """A bar on a terminal once the work has taken a second; nothing anywhere else."""
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    with tqdm(total=total, unit="set", delay=1, leave=False, file=sys.stderr) as bar:
        yield bar.update


# With a database


def add_demo(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "demo",
        help="run with an invented club",
        description="Build an invented club with logs up to today, serve it, and print a sign-in link.",
        epilog="Example: terrace demo --keep",
    )
    parser.add_argument("--keep", action="store_true", help="go on with the demo database of the last run")
    parser.add_argument("--only-build", action="store_true", help="build the database and do not serve it")

    parser.set_defaults(run=lambda options: jobs.demo(keep=options.keep, only_build=options.only_build))


def add_serve(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "serve",
        help="run the app on your data",
        description="Serve the app. The first start prints the code that the coach's account is made with.",
        epilog="Example: TERRACE_PORT=9000 terrace serve",
    )

    parser.set_defaults(run=lambda _options: jobs.serve())


def add_import(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "import",
        help="take a log file in",
        description="Store the sets of a log file. Sending a file again changes only what differs in it.",
        epilog="Example: terrace import LOG.csv --coach ines@example.org --dry-run",
    )
    parser.add_argument("log", metavar="LOG.csv", help="one row a set; see the manual for its columns")
    parser.add_argument(
        "--blocks", metavar="BLOCKS.csv", help="blocks that were trained, to stand on the season"
    )
    parser.add_argument(
        "--coach", metavar="LOGIN", help="whose roster; needed only if there are several coaches"
    )
    parser.add_argument("--dry-run", action="store_true", help="say what would change and store nothing")
    parser.add_argument(
        "--good-rows", action="store_true", help="leave rows with errors out and take the rest"
    )
    parser.add_argument(
        "--whole", action="store_true", help="the file is one of terrace export, for an empty account"
    )

    parser.set_defaults(
        run=lambda options: jobs.import_whole(options) if options.whole else jobs.import_log(options)
    )


def add_export(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "export",
        help="take everything of a coach out",
        description="Write all that a coach owns into one file. It can be taken in again, equal, into an "
        "empty account: terrace import FILE --whole.",
        epilog="Example: terrace export everything.xlsx --coach ines@example.org",
    )
    parser.add_argument("file", metavar="FILE", help="its ending says the form: .json, .xlsx, .zip for CSV")
    parser.add_argument(
        "--coach", metavar="LOGIN", help="whose data; needed only if there are several coaches"
    )

    parser.set_defaults(run=lambda options: jobs.export(options.file, options.coach))


def add_backup(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "backup",
        help="write a proved copy of the database",
        description="Write a backup while the app runs, open it, count it, and only then give it its name.",
        epilog="Example: terrace backup --to /media/stick/terrace.zip",
    )
    parser.add_argument("--to", metavar="FILE", help="where to; by default into the data folder, dated")
    parser.add_argument(
        "--portable", action="store_true", help="as tables that load into SQLite or PostgreSQL"
    )

    parser.set_defaults(run=lambda options: jobs.backup(options.to, portable=options.portable))


def add_restore(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "restore",
        help="bring a backup back",
        description="Put a backup in the place of the database, which is kept beside it. Stop the app first.",
        epilog="Example: terrace restore data/backups/terrace-20260309T120000Z.zip --yes",
    )
    parser.add_argument("backup", metavar="FILE")
    parser.add_argument("--yes", action="store_true", help="do it; without this only say what would be done")

    parser.set_defaults(run=lambda options: jobs.restore(options.backup, yes=options.yes))


def add_check(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "check",
        help="look the set-up over",
        description="Print the settings in force and check database, schema, backups and address.",
        epilog="Example: terrace check",
    )

    parser.set_defaults(run=lambda _options: jobs.check())


def add_sign_in_link(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "sign-in-link",
        help="print a link that signs a coach in once",
        description="For a forgotten password: print a link that signs a coach in once, within a day.",
        epilog="Example: terrace sign-in-link ines@example.org",
    )
    parser.add_argument("login")

    parser.set_defaults(run=lambda options: jobs.sign_in_link(options.login))


COMMANDS = (
    add_demo,
    add_serve,
    add_import,
    add_export,
    add_analyse,
    add_backup,
    add_restore,
    add_check,
    add_sign_in_link,
)


if __name__ == "__main__":
    sys.exit(main())
