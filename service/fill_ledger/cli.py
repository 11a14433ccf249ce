"""The command line: prepare the database, serve, make the first key, and try it all out on an invented county."""

import asyncio
import os
import sys
from pathlib import Path
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.request import urlopen

import asyncpg
import click

from fill_ledger.database import Database, DatabaseError, open_database
from fill_ledger.embedded_postgres import EmbeddedPostgresError
from fill_ledger.intake.founding import EntryRefusedError, NewPrincipal, register_principal
from fill_ledger.ledger.read import seeing
from fill_ledger.schema import SchemaError
from fill_ledger.settings import (
    PORT_LIMIT,
    Settings,
    SettingsError,
    generate_master_key,
    read_owner_database_url,
    read_settings,
)
from fill_ledger.trade.events.county import Role
from fill_ledger.trade.identifiers import COUNTY_ID

HEALTH_TIMEOUT_S = 5.0
IMPORT_COMMAND = "import"
DEMONSTRATION_HOME = Path(".demo")
PLAIN_ERRORS = (SettingsError, SchemaError, DatabaseError, EmbeddedPostgresError, EntryRefusedError)


class PlainErrorGroup(click.Group):
    """Ends a command that cannot do its work with a sentence and exit status 1, not with a traceback."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted([*super().list_commands(ctx), IMPORT_COMMAND])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name != IMPORT_COMMAND:
            return super().get_command(ctx, cmd_name)
        # Readers of workbooks take a while to load, and no other command needs them.
        from fill_ledger.import_command import import_file

        return import_file

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except PLAIN_ERRORS as error:
            raise click.ClickException(str(error)) from error
        except (asyncpg.PostgresError, asyncpg.InterfaceError) as error:
            raise click.ClickException(f"The database refused: {error}") from error
        except (ConnectionError, TimeoutError) as error:
            raise click.ClickException(f"The database cannot be reached: {error}") from error


@click.group(cls=PlainErrorGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="fill-ledger")
def main() -> None:
    """Fill Ledger: an event-sourced ledger of breathing-air cylinder fills.

    Settings are environment variables. DATABASE_URL and FILL_LEDGER_MASTER_KEY are needed; a wrong or missing one is
    told by name.
    """


@main.command()
def migrate() -> None:
    """Bring the database to the newest schema. Safe to run again, and while the service runs."""
    from fill_ledger.schema import migrate as run_migrations
    from fill_ledger.schema import newest_revision

    asyncio.run(run_migrations(read_owner_database_url(os.environ)))
    click.echo(f"The database stands at revision {newest_revision()}.")


@main.command()
def serve() -> None:
    """Serve until Ctrl-C or SIGTERM."""
    from fill_ledger.serving import ServingError
    from fill_ledger.serving import serve as run_server

    try:
        run_server(read_settings(os.environ))
    except ServingError as error:
        raise click.ClickException(str(error)) from error


@main.command()
def rebuild() -> None:
    """Make all views anew from the ledger, beside the ones in use, and swap. The service may go on meanwhile."""
    from fill_ledger.views.rebuild import RebuildRunningError, rebuild_views

    owner_url = read_owner_database_url(os.environ)
    try:
        report = asyncio.run(rebuild_views(owner_url))
    except RebuildRunningError as error:
        raise click.ClickException(str(error)) from error
    click.echo(
        f"{report.events:,} events of {report.departments} ledgers replayed in {report.seconds:.1f} s; "
        f"the lanes were held for {report.seconds_held:.2f} s."
    )


@main.command()
def check() -> None:
    """Replay the ledger and compare: digest chains and every view. Exit status 0 only if all is sound."""
    from fill_ledger.views.check import check_views

    report = asyncio.run(check_views(read_owner_database_url(os.environ)))
    for department_id, chain_faults in report.chain_faults.items():
        for chain_fault in chain_faults:
            click.echo(f"chain of {department_id}, position {chain_fault.ledger_position}: {chain_fault.what}")
    for fault in report.faults:
        click.echo(f"{fault.what}: {fault.view} {fault.key}: {fault.detail}")
    for view, count in sorted(report.counts.items()):
        if count:
            click.echo(f"{view}: {count} rows differ")
    click.echo(f"{report.events:,} events of {report.departments} ledgers: {report.verdict}.")
    if report.verdict != "sound":
        sys.exit(1)


@main.command("openapi")
@click.option("--output", type=click.Path(dir_okay=False, writable=True, path_type=Path), help="A file to write.")
def openapi_document(output: Path | None) -> None:
    """Print the OpenAPI document, or write it to a file. Needs no database."""
    from fill_ledger.api.document.documentation import ServedDocument
    from fill_ledger.api.http.service import operations_of
    from fill_ledger.api.resources import HANDLERS, TAGS

    text = ServedDocument(operations_of(HANDLERS), TAGS).text
    if output is None:
        click.echo(text, nl=False)
    else:
        output.write_bytes(text)


@main.command("generate-master-key")
def new_master_key() -> None:
    """Print a new random value for FILL_LEDGER_MASTER_KEY.

    Keep it as you keep the database's backups, but never in the same place: what is sealed cannot be read without it.
    """
    click.echo(generate_master_key())


@main.command("founder-key")
@click.option("--label", default="Founder", show_default=True, help="What to call the operator.")
@click.option("--another", is_flag=True, help="Make one although the county has an operator already.")
def founder_key(label: str, another: bool) -> None:
    """Make the county's first operator and print its key, which is shown this once.

    The operator registers departments and makes every other key over HTTP.
    """
    made = asyncio.run(_found(read_settings(os.environ), label, another=another))
    click.echo(f"Operator {made.principal_id} ({label}). Its key is shown only now:", err=True)
    click.echo(made.plain_key)


async def _found(settings: Settings, label: str, *, another: bool) -> NewPrincipal:
    from fill_ledger.app import close_parts, make_parts
    from fill_ledger.ledger.key_ring import KeyRing

    database = await open_database(settings.database_url, lookups=settings.lookups, writes=settings.writes)
    parts = make_parts(database, KeyRing(settings.master_key))
    try:
        if not another and await _has_operator(database):
            raise click.ClickException(
                "The county has an operator already. Use its key to make others, or pass --another if it is lost."
            )
        return await register_principal(parts.lanes, Role.OPERATOR, label, department_ids=None)
    finally:
        await close_parts(parts)


async def _has_operator(database: Database) -> bool:
    async with database.lookups.acquire() as connection, seeing(connection, (COUNTY_ID,)):
        found = await connection.fetchval(
            """
            SELECT EXISTS (
                SELECT 1 FROM views.principal
                WHERE department_id = $1 AND role = 'operator' AND deactivated_at IS NULL)
            """,
            COUNTY_ID,
        )
    return bool(found)


@main.command()
@click.option("--url", help="Address of the service; by default the one the settings name.")
def health(url: str | None) -> None:
    """Ask a running service whether it is ready; exit status 0 only if it is. Made for container health checks."""
    if url is None:
        host = os.environ.get("FILL_LEDGER_HOST", "").strip() or "127.0.0.1"
        port = os.environ.get("FILL_LEDGER_PORT", "").strip() or "8080"
        # A service that listens on every address is asked on the loopback.
        url = f"http://{'127.0.0.1' if host in ('0.0.0.0', '::') else host}:{port}"  # noqa: S104 - compared only
    if not url.startswith(("http://", "https://")):
        raise click.BadParameter("must begin with http:// or https://", param_hint="--url")
    try:
        with urlopen(f"{url.rstrip('/')}/v1/ready", timeout=HEALTH_TIMEOUT_S) as answer:  # noqa: S310 - checked above
            click.echo(answer.read().decode("utf-8", "replace"))
    except HTTPError as error:
        click.echo(error.read().decode("utf-8", "replace"), err=True)
        sys.exit(1)
    except (URLError, TimeoutError, OSError) as error:
        raise click.ClickException(f"{url} does not answer: {error}") from error


@main.command()
@click.option("--exit", "exit_after_show", is_flag=True, help="End after the show instead of serving on.")
@click.option("--fresh", is_flag=True, help="Forget the county of an earlier run and invent it anew.")
@click.option("--port", type=click.IntRange(1, PORT_LIMIT), help="Port on the loopback; 8080 or a free one by default.")
@click.option("--small", is_flag=True, help="Two departments and a few weeks instead of four and two years.")
@click.option(
    "--home",
    type=click.Path(file_okay=False, path_type=Path),
    default=DEMONSTRATION_HOME,
    show_default=True,
    help="Where database, keys and log are kept.",
)
def demo(exit_after_show: bool, fresh: bool, port: int | None, small: bool, home: Path) -> None:
    """Try everything out on an invented county: stations ask and fill, and keys to call the service yourself.

    Uses an embedded PostgreSQL of its own, or the one of DATABASE_URL if that is set.
    """
    from rich.console import Console

    from demo_seed.demonstration import DemonstrationError, Options, demonstrate
    from demo_seed.plan import full_plan, small_plan
    from fill_ledger.serving import ServingError

    options = Options(
        home=home,
        make_plan=small_plan if small else full_plan,
        exit_after_show=exit_after_show,
        fresh=fresh,
        port=port,
    )
    try:
        demonstrate(options, os.environ, Console())
    except (DemonstrationError, ServingError) as error:
        raise click.ClickException(str(error)) from error


if __name__ == "__main__":
    main()
