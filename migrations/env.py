"""How alembic reaches the database: over the connection that `fill_ledger.schema.migrate` hands to it."""

from alembic import context
from sqlalchemy import Connection


def run(connection: Connection) -> None:
    """Run the migrations that alembic was asked for, each in a transaction of its own."""
    context.configure(connection=connection, target_metadata=None, transaction_per_migration=True)
    with context.begin_transaction():
        context.run_migrations()


given = context.config.attributes.get("connection")
if given is None:
    # A bare `alembic upgrade` would run without our time limits and without the migration lock.
    raise SystemExit("Use: fill-ledger migrate")
run(given)
