"""What the command line does with a database: serve, demo, backups, check. Imported only when asked for."""

from __future__ import annotations

import argparse
import hashlib
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path
from socket import socket

from app import __version__
from app.config import Settings, SettingsError, from_environment
from app.planning import access, backups, imports
from app.storage.engine import SchemaTooNew, Store, StoreError, StoreFull, head_revision
from app.storage.models import Coach
from app.training.records import BlockSpan


def say(text: str = "") -> None:
    print(text, file=sys.stderr, flush=True)


def settings_or_exit() -> Settings:
    try:
        return from_environment()
    except SettingsError as error:
        say(str(error))
        raise SystemExit(2) from None


@contextmanager
def opened(settings: Settings) -> Iterator[Store]:
    """The database of these settings, brought up to date; a backup is made before its schema changes."""
    try:
        store = Store(settings.url)
        before = store.schema_version()
        if before is not None and before != head_revision():
            path = backups.make(store, settings, target=None, portable=False, now=datetime.now(UTC))
            say(f"The database is of an older version. Backup before the upgrade: {path}")
        store.migrate()
    except (SchemaTooNew, StoreError, OSError) as error:
        say(_in_words(error, settings))
        raise SystemExit(2) from None
    try:
        yield store
    except StoreError as error:
        say(f"{_in_words(error, settings)} Nothing was stored.")
        raise SystemExit(2) from None
    finally:
        store.close()


def _in_words(error: Exception, settings: Settings) -> str:
    if not isinstance(error, StoreFull):
        return str(error)
    return (
        f"In {settings.data_dir.absolute()} {error}. Make room there, let the user who runs Terrace write "
        "there, or name another folder by TERRACE_DATA_DIR."
    )


def serve(settings: Settings | None = None) -> int:
    """Run the app until it is stopped."""
    settings = settings or settings_or_exit()
    if settings.host not in ("127.0.0.1", "localhost", "::1") and not settings.https:
        say(
            "Warning: other machines can reach this address and it is not served by TLS. Put a TLS proxy "
            "before it and set TERRACE_HTTPS=1 (README, “For a club”)."
        )
    try:
        with backups.server_lock(settings.data_dir), opened(settings) as store:
            store.prove_writable()  # so that it is said now, not at the first set
            words = [f"Terrace {__version__} at {settings.address}"]
            if access.needs_setup(store):
                code = access.issue_setup_code(store, now=datetime.now(UTC))
                words = [f"First start. Make the coach's account at {settings.address}/set-up"]
                words.append(f"The code it asks for: {code}")
            _run(settings, store, lambda: say("\n".join(words)))
    except (backups.ServerRunning, backups.FolderNotWritable) as error:
        say(str(error))
        return 2
    return 0


def _run(settings: Settings, store: Store, announce: Callable[[], None]) -> None:
    """Serve until stopped; announced when it answers, so that an address is never told too early."""
    import uvicorn

    from app.main import create_app

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket] | None = None) -> None:
            await super().startup(sockets)
            if self.started:
                announce()

    config = uvicorn.Config(
        create_app(settings, store=store),
        host=settings.host,
        port=settings.port,
        loop="uvloop",
        http="httptools",
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,  # The app itself believes them only from the proxies it was told of.
        timeout_graceful_shutdown=8,
    )
    server = Server(config)
    server.run()
    if not server.started:
        raise SystemExit(1)  # The address is taken: it was said.


def demo(*, keep: bool = False, only_build: bool = False) -> int:
    """An invented club with a year of logs up to today; signs in by a link printed here."""
    from seed_demo.build import build

    settings = settings_or_exit()
    settings = replace(settings, data_dir=settings.data_dir / "demo", database_url="", demo=True)
    database = Path(settings.url.removeprefix("sqlite:///"))
    try:
        with backups.server_lock(settings.data_dir):
            if not keep:
                for suffix in ("", "-wal", "-shm"):
                    database.with_name(database.name + suffix).unlink(missing_ok=True)
            with opened(settings) as store:
                links = build(store, settings, now=datetime.now(UTC))
                if only_build:
                    return 0
                _run(settings, store, lambda: _announce(settings, links))
    except (backups.ServerRunning, backups.FolderNotWritable) as error:
        say(str(error))
        return 2
    return 0


def _announce(settings: Settings, links: tuple[str, str, str]) -> None:
    import segno

    sign_in, lifter_name, lifter_link = links
    say()
    say(f"  The coach's address:  {settings.address}")
    say(f"  Sign in (once):       {settings.address}/sign-in/{sign_in}")
    say(f"  {lifter_name}'s phone:  {settings.address}/open/{lifter_link}")
    say()
    segno.make(f"{settings.address}/open/{lifter_link}", error="m").terminal(out=sys.stderr, compact=True)
    say("  Invented people and numbers. Stop with Ctrl+C.")


def import_log(options: argparse.Namespace) -> int:
    """Store the sets of a file, or say what would change."""
    from app.exchange import blocks_file, exercise_names, log_file
    from app.exchange.tables import Refused, read_file, read_table

    settings = settings_or_exit()
    path = Path(options.log)
    try:
        data = read_file(path)
        log = log_file.read_log(read_table(data, options.log, expected=log_file.FIELDS))
        spans = None
        if options.blocks is not None:
            blocks = Path(options.blocks)
            spans = blocks_file.read_blocks(
                read_table(read_file(blocks), options.blocks, expected=blocks_file.FIELDS)
            )
    except Refused as refused:
        say(f"terrace: {refused}")
        return 2
    wrong = [*log.errors, *(spans.errors if spans is not None else ())]
    for error in wrong[:200]:
        say(str(error))
    if len(wrong) > 200 or log.error_count > len(log.errors):
        say(f"... and {log.error_count - min(200, len(log.errors)):,} more.")
    if wrong and not options.good_rows:
        say("terrace: nothing was stored. Put the rows right, or take the good ones with --good-rows.")
        return 2
    facts = log.facts
    say(
        f"{options.log}: {facts.rows:,} rows, {facts.encoding}, loads in {facts.unit}, "
        f"dates {facts.date_style}"
    )
    if facts.unknown_columns:
        say(f"Columns left out: {', '.join(facts.unknown_columns)}")
    with opened(settings) as store:
        coach = access.only_coach(store, options.coach)
        if coach is None:
            say("Say whose roster it is with --coach LOGIN." if options.coach is None else "No such coach.")
            return 2
        told = imports.dry_run(store, coach, log.rows)
        refused_rows = facts.rows - len(log.rows)
        say(f"{told.new:,} new, {told.changed:,} changed, {told.same:,} same, {refused_rows:,} refused")
        for words, names in (("lifters", told.new_lifters), ("exercises", told.new_exercises)):
            if names:
                say(f"New {words}: {', '.join(names[:20])}{' ...' if len(names) > 20 else ''}")
        if options.dry_run:
            return 0
        with progress(told.new) as tick:
            done = imports.apply(
                store,
                coach,
                log.rows,
                file_name=path.name,
                sha256=hashlib.sha256(data).digest(),
                guess=exercise_names.guess,
                refused=facts.rows - len(log.rows),
                actor="command line",
                progress=tick,
                now=datetime.now(UTC),
            )
        say(f"Stored as import {done.batch_id}; it can be taken back on the page Data.")
        if spans is not None:
            _add_blocks(store, coach, spans.blocks)
    return 0


def import_whole(options: argparse.Namespace) -> int:
    """Take a file of `export` into an empty account."""
    from app.exchange import coach_file
    from app.exchange.tables import Refused
    from app.planning import exports

    settings = settings_or_exit()
    path = Path(options.log)
    try:
        read = coach_file.read(path.read_bytes(), options.log)
    except (Refused, OSError) as refused:
        say(f"terrace: {refused}")
        return 2
    for error in read.errors[:50]:
        say(str(error))
    if read.errors:
        say("terrace: nothing was stored.")
        return 2
    tables = {shape.name: list(read.file.records(shape.name)) for shape in read.file.shapes}
    with opened(settings) as store:
        coach = access.only_coach(store, options.coach)
        if coach is None:
            say("Say whose account it is with --coach LOGIN." if options.coach is None else "No such coach.")
            return 2
        if options.dry_run:
            say(", ".join(f"{len(rows):,} {name}" for name, rows in tables.items() if rows))
            return 0
        try:
            counts = exports.load(store, coach, tables, by="command line", now=datetime.now(UTC))
        except exports.NotEmpty:
            say("There is data in this account already. A whole file is taken into an empty one only.")
            return 2
        except exports.CannotLoad as refused:
            for words in refused.errors:
                say(words)
            say("terrace: nothing was stored.")
            return 2
    say(f"Stored: {counts['lifters']:,} lifters with {counts['logged_sets']:,} sets.")
    return 0


def export(target: str, login: str | None) -> int:
    """Write everything a coach owns into a file."""
    from app.exchange import coach_file
    from app.planning import exports

    settings = settings_or_exit()
    path = Path(target)
    form = path.suffix.lower().removeprefix(".")
    if form not in coach_file.WRITERS:
        say(f"{target}: end the name in .json, .xlsx or .zip.")
        return 2
    if path.exists():
        say(f"{target} is there already. Choose another name.")
        return 2
    with opened(settings) as store:
        coach = access.only_coach(store, login)
        if coach is None:
            say("Say whose data it is with --coach LOGIN." if login is None else "No such coach.")
            return 2
        now = datetime.now(UTC)
        part = path.with_name(path.name + ".part")
        try:
            # Under its name only once it is whole, and for nobody else's eyes.
            part.touch(mode=0o600)
            with exports.opened(store, coach, by="command line", now=now) as found, part.open("r+b") as to:
                file = coach_file.file_of(
                    found.described, found.tables, program_version=__version__, made_at=now
                )
                coach_file.WRITERS[form][0](file, to)
            part.rename(path)
        except (ValueError, OSError) as error:
            part.unlink(missing_ok=True)
            say(f"terrace: {error}")
            return 2
    lifters, sets = (found.tables[name].given for name in ("lifters", "logged_sets"))
    say(f"{target}: {lifters:,} lifters with {sets:,} sets")
    return 0


def _add_blocks(store: Store, coach: Coach, found: Mapping[str, Sequence[BlockSpan]]) -> None:
    from app.planning import past_blocks, rosters

    ids = rosters.ids_by_name(store, coach)
    for name, spans in found.items():
        if name.casefold() not in ids:
            say(f"{name} is not on the roster; {len(spans)} blocks are left out.")
            continue
        added, taken = past_blocks.add(store, coach, ids[name.casefold()], spans, now=datetime.now(UTC))
        say(
            f"{name}: {added} blocks added"
            + (f", {len(taken)} left out, their days are taken" if taken else "")
        )


@contextmanager
def progress(total: int) -> Iterator[Callable[[int], object] | None]:
    """A bar on a terminal once the work has taken a second; nothing anywhere else."""
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    with tqdm(total=total, unit="set", delay=1, leave=False, file=sys.stderr) as bar:
        yield bar.update


def sign_in_link(login: str) -> int:
    """Print a link that signs this coach in once."""
    settings = settings_or_exit()
    with opened(settings) as store:
        try:
            code = access.issue_sign_in_link(store, login, now=datetime.now(UTC))
        except access.WrongCredentials:
            say(f"No coach has the login {login}.")
            return 2
    print(f"{settings.address}/sign-in/{code}")
    return 0


def backup(target: str | None, *, portable: bool) -> int:
    """Write a verified backup."""
    settings = settings_or_exit()
    with opened(settings) as store:
        try:
            path = backups.make(
                store,
                settings,
                target=None if target is None else Path(target),
                portable=portable,
                now=datetime.now(UTC),
            )
        except (backups.BackupRefused, OSError) as error:
            say(f"No backup was made: {error}")
            return 1
    print(path)
    return 0


def restore(source: str, *, yes: bool) -> int:
    """Bring a backup back; the present state is kept beside it."""
    settings = settings_or_exit()
    if not yes:
        say(f"This puts {source} in the place of the present database, which is kept beside it.")
        say("Run again with --yes to do it.")
        return 2
    try:
        kept = backups.restore(settings, Path(source), now=datetime.now(UTC))
    except (backups.BackupRefused, backups.ServerRunning, SchemaTooNew, OSError) as error:
        say(f"Nothing was changed: {error}")
        return 2
    say("Restored." if kept is None else f"Restored. The state before it is in {kept}")
    return 0


def check() -> int:
    """Look the set-up over and print each finding with what to do about it."""
    settings = settings_or_exit()
    findings: list[tuple[bool, str]] = []
    for field in fields(settings):
        value = getattr(settings, field.name)
        if field.name == "database_url" and "@" in str(value):
            value = str(value).split("://")[0] + "://(hidden)@" + str(value).split("@")[-1]
        print(f"TERRACE_{field.name.upper()}={value}")
    with opened(settings) as store:
        findings += [(ok, words) for ok, words in _database_findings(store)]
    present = backups.kept(settings)
    age = None if not present else datetime.now(UTC) - present[0].made_at
    findings.append(
        (
            age is not None and age < backups.WORRY_AFTER,
            "there is no backup: run terrace backup"
            if age is None
            else f"the last backup is {age.total_seconds() / 3600:.0f} hours old",
        )
    )
    exposed = settings.host not in ("127.0.0.1", "localhost", "::1") and not settings.https
    findings.append(
        (
            not exposed,
            "reachable without TLS: phones cannot work offline; see README" if exposed else "address",
        )
    )
    for ok, words in findings:
        print(f"{'ok  ' if ok else 'LOOK'} {words}")
    return 0 if all(ok for ok, _ in findings) else 1


def _database_findings(store: Store) -> Iterator[tuple[bool, str]]:
    yield store.is_healthy(), "database answers"
    yield store.schema_version() == head_revision(), "schema is up to date"
    wrong = store.integrity_problems()
    yield (
        not wrong,
        "database is whole" if not wrong else f"database is damaged: {wrong[0]}; restore a backup",
    )
