"""The demonstration from end to end: a database, an invented county, the service, and stations at work."""

import asyncio
import os
import shlex
import shutil
import sys
import time
import uuid
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Any, TypeVar

import msgspec
import uvloop
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from demo_seed.cast import Cast, choose_cast
from demo_seed.examples import make_examples
from demo_seed.fleet_list import FLEET_LIST, FLEET_LIST_FILE
from demo_seed.generator import invent_history
from demo_seed.keys import DATABASE_URL_FILE, KeptKey, keep_keys, keep_master_key, write_private
from demo_seed.plan import COUNTY_NAME, Plan, full_plan
from demo_seed.seeding import earlier_seeding, is_foreign, record_history
from demo_seed.show import PAUSE_S, Told, play
from demo_seed.world import ZONE
from fill_ledger.api.parts import Parts
from fill_ledger.app import close_parts, create_app, make_parts
from fill_ledger.database import open_database
from fill_ledger.embedded_postgres import EmbeddedPostgres
from fill_ledger.ledger.key_ring import KeyRing
from fill_ledger.logging import configure_logging
from fill_ledger.schema import migrate
from fill_ledger.serving import is_free, serving, stopping_on_signals
from fill_ledger.settings import Settings, read_settings

HOST = "127.0.0.1"
USUAL_PORT = 8080
LOG_FILE = "service.log"
POSTGRES_FOLDER = "postgres"
SETTINGS_NAMES = ("DATABASE_URL", "FILL_LEDGER_OWNER_DATABASE_URL", "FILL_LEDGER_MASTER_KEY")
Result = TypeVar("Result")


class DemonstrationError(Exception):
    """The demonstration cannot run as asked; the text says what to change."""


class StoppedError(Exception):
    """Somebody asked for a stop, with Ctrl-C or SIGTERM."""


class Options(msgspec.Struct, frozen=True, kw_only=True):
    """How to run it. The plan is made for a reference day, because an earlier seeding may have another than today."""

    home: Path
    make_plan: Callable[[date], Plan] = full_plan
    exit_after_show: bool = False
    fresh: bool = False
    port: int | None = None


def demonstrate(options: Options, environment: Mapping[str, str], console: Console) -> None:
    """Run the demonstration until it ends by itself or is stopped; leaves no process behind.

    Raises:
        DemonstrationError, ServingError: it cannot run as asked.
        EmbeddedPostgresError: the embedded server cannot start.
    """
    options.home.mkdir(parents=True, exist_ok=True)
    with _database(options, environment, console) as settings, (options.home / LOG_FILE).open("a") as log:
        configure_logging(level="info", stream=log, as_json=True)
        try:
            uvloop.run(_run(options, settings, console))
        except StoppedError:
            console.print("Stopped. What is recorded stays; the next run goes on from there.")


@contextmanager
def _database(options: Options, environment: Mapping[str, str], console: Console) -> Iterator[Settings]:
    """Give the settings for the database that DATABASE_URL names, or for an embedded one that ends with the block."""
    given = {name: environment[name] for name in SETTINGS_NAMES if environment.get(name)}
    if "DATABASE_URL" in given:
        if options.fresh:
            raise DemonstrationError("--fresh empties only the demonstration's own database: unset DATABASE_URL.")
        if "FILL_LEDGER_MASTER_KEY" in given:
            yield read_settings(given)
            return
        url = given["DATABASE_URL"]
        owner_url = given.get("FILL_LEDGER_OWNER_DATABASE_URL", url)
        yield Settings(database_url=url, owner_database_url=owner_url, master_key=keep_master_key(options.home))
        return
    postgres = EmbeddedPostgres(options.home / POSTGRES_FOLDER)
    if options.fresh:
        _empty(options.home, postgres)
    began = time.monotonic()
    url = postgres.start()
    try:
        console.print(f"PostgreSQL started on the loopback ({time.monotonic() - began:.1f} s).")
        # For `fill-ledger check` in another shell; with a password in it, so not for the screen.
        write_private(options.home / DATABASE_URL_FILE, url)
        yield Settings(database_url=url, owner_database_url=url, master_key=keep_master_key(options.home))
    finally:
        (options.home / DATABASE_URL_FILE).unlink(missing_ok=True)
        postgres.stop()


def _empty(home: Path, postgres: EmbeddedPostgres) -> None:
    """Remove what an earlier demonstration left, and nothing else."""
    with postgres:
        data = postgres.home / "data"
    shutil.rmtree(data)
    for name in ("keys.json", "master-key", DATABASE_URL_FILE, LOG_FILE):
        (home / name).unlink(missing_ok=True)


async def _run(options: Options, settings: Settings, console: Console) -> None:
    stop = asyncio.Event()
    with stopping_on_signals(stop):
        cast, keys = await _unless(stop, _prepare(options, settings, console))
        async with _serving(settings, options.port, console) as base_url:
            await _unless(stop, _show(base_url, cast, keys, console, pause_s=0 if options.exit_after_show else PAUSE_S))
            _summarise(base_url, cast, keys, options.home, console)
            if not options.exit_after_show:
                console.print("\nServing until Ctrl-C.")
                await stop.wait()
    console.print("Stopped cleanly.")


async def _unless(stop: asyncio.Event, work: Coroutine[Any, Any, Result]) -> Result:
    """Return what the work returns, or break it off when a stop is asked for."""
    task, stopped = asyncio.create_task(work), asyncio.create_task(stop.wait())
    try:
        await asyncio.wait((task, stopped), return_when=asyncio.FIRST_COMPLETED)
        if not task.done():
            raise StoppedError
        return task.result()
    finally:
        task.cancel()
        stopped.cancel()
        await asyncio.gather(task, stopped, return_exceptions=True)


async def _prepare(options: Options, settings: Settings, console: Console) -> tuple[Cast, dict[uuid.UUID, KeptKey]]:
    """Migrate, seed where nothing is on record yet, and see to the keys."""
    await migrate(settings.owner_database_url)
    async with _parts(settings) as parts:
        plan = await _seed(options, parts, console)
        cast = await choose_cast(parts.database, plan)
        keys = await keep_keys(options.home, parts.database, parts.lanes, cast.key_holders())
    return cast, keys


@asynccontextmanager
async def _parts(settings: Settings) -> AsyncIterator[Parts]:
    database = await open_database(settings.database_url, lookups=settings.lookups, writes=settings.writes)
    parts = make_parts(database, KeyRing(settings.master_key))
    try:
        yield parts
    finally:
        await close_parts(parts)


async def _seed(options: Options, parts: Parts, console: Console) -> Plan:
    """Record the invented county unless it is on record; return the plan it follows."""
    plan = options.make_plan(datetime.now(ZONE).date())
    if await is_foreign(parts.database, plan):
        raise DemonstrationError("DATABASE_URL holds departments that are not invented: name an empty database.")
    earlier = await earlier_seeding(parts.database, plan)
    if earlier is not None:
        plan = options.make_plan(earlier.reference_day)
        if earlier.is_complete:
            console.print(f"{COUNTY_NAME} is on record already, up to {plan.reference_day}.")
            return plan
    console.print(f"Inventing {COUNTY_NAME}: its stations, cylinders, people, and what they did ...")
    history = invent_history(plan, parts.permit_references)
    began = time.monotonic()
    columns = (TextColumn("Recording"), BarColumn(), MofNCompleteColumn(), TextColumn("facts"), TimeElapsedColumn())
    with Progress(*columns, console=console) as progress:
        task = progress.add_task("facts", total=len(history))
        await record_history(parts.lanes, history, lambda count: progress.advance(task, count))
    seconds = time.monotonic() - began
    console.print(f"{len(history):,} facts recorded in {seconds:.0f} s ({len(history) / seconds:,.0f} a second).")
    return plan


@asynccontextmanager
async def _serving(settings: Settings, port: int | None, console: Console) -> AsyncIterator[str]:
    """Serve on the port asked for; on the usual one, or any free one, when none was."""
    settings = msgspec.structs.replace(settings, host=HOST)
    if port is not None:
        async with serving(create_app(settings), HOST, port) as base_url:
            yield base_url
        return
    chosen = USUAL_PORT if is_free(HOST, USUAL_PORT) else 0
    if not chosen:
        console.print(f"Port {USUAL_PORT} is taken; another one is used.")
    async with serving(create_app(settings), HOST, chosen) as base_url:
        yield base_url


async def _show(
    base_url: str, cast: Cast, keys: dict[uuid.UUID, KeptKey], console: Console, *, pause_s: float
) -> list[Told]:
    """Let the stations work and print a line for each cylinder."""
    console.print(f"\n[bold]Stations at work[/bold] on {base_url}: ask, fill what is permitted, report.\n")
    plain_keys = {principal_id: kept.key for principal_id, kept in keys.items()}
    told = await play(base_url, cast.askers, plain_keys, lambda one: _print_told(one, console), pause_s=pause_s)
    permitted = [one for one in told if one.decision == "permit"]
    waits = sorted(one.milliseconds for one in told)
    console.print(
        f"\n{len(told)} asked, {len(permitted)} permitted and filled, {len(told) - len(permitted)} denied; "
        f"half were answered within {waits[len(waits) // 2]} ms."
    )
    return told


def _print_told(one: Told, console: Console) -> None:
    colour = "green" if one.decision == "permit" else "red"
    console.print(
        f"{one.station:<22.22} {one.cylinder:<18.18} [{colour}]{one.decision:<6}[/{colour}] {one.sentence}"
        + ("" if one.recorded is None else f" [dim]({one.recorded})[/dim]"),
        highlight=False,
        soft_wrap=True,
    )


def _print_keys(keys: Mapping[uuid.UUID, KeptKey], home: Path, console: Console) -> None:
    """Print whose key is which. They open an invented county on this machine's loopback, and nothing else."""
    console.print(f"\n[bold]Keys[/bold] (role, department, holder; kept in {home.name}/keys.json):")
    for kept in keys.values():
        whose = f"{kept.role:<11} {kept.department or 'every':<6} {kept.label:<36}"
        console.print(f"{whose} {kept.key}", highlight=False, markup=False, soft_wrap=True)


def _print_check(home: Path, console: Console) -> None:
    """Print how the ledger is checked: by a command, which needs the database and no key."""
    program = Path(sys.executable).with_name("fill-ledger")
    command = shlex.join([os.path.relpath(program) if program.exists() else "fill-ledger", "check"])
    address = home / DATABASE_URL_FILE
    if address.exists():
        command = f'DATABASE_URL="$(cat {shlex.quote(str(address))})" {command}'
    console.print("\n[bold]Anybody who runs it[/bold]")
    console.print(
        "# replay the whole ledger and compare every digest and view, in another shell while this one serves",
        highlight=False,
        soft_wrap=True,
    )
    console.print(command, highlight=False, markup=False, soft_wrap=True)


def _summarise(base_url: str, cast: Cast, keys: dict[uuid.UUID, KeptKey], home: Path, console: Console) -> None:
    _print_keys(keys, home, console)
    console.print(f"\n[bold]Try it[/bold] (keys and log are kept in {home.name}/; the county is invented):")
    who = ""
    fleet_list = home / FLEET_LIST_FILE
    fleet_list.write_text(FLEET_LIST, encoding="utf-8")
    for example in make_examples(cast, keys, fleet_list):
        if example.who != who:
            who = example.who
            console.print(f"\n[bold]{who}[/bold]")
        console.print(f"# {example.what}", highlight=False, soft_wrap=True)
        # Whole and unadorned, so that it can be copied: no wrapping, no markup, no colours.
        console.print(example.as_curl(base_url), highlight=False, markup=False, soft_wrap=True)
    _print_check(home, console)
    console.print(f"\nEverything it offers, to read and try: {base_url}/docs", highlight=False)
    console.print("The service informs; a trained person decides. A cylinder's own marks prevail.")
