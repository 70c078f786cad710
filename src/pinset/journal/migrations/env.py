"""Runs the journal's migrations over the database that `pinset.journal.store.migrate` names."""

import sqlite3

from alembic import context
from sqlalchemy import Connection, create_engine, event


def _run() -> None:
    engine = create_engine(f"sqlite:///{context.config.attributes['path']}")

    @event.listens_for(engine, "connect")
    def _by_hand(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # the driver would commit before each change of schema
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    with engine.connect() as connection:
        context.configure(connection=connection, render_as_batch=True, transaction_per_migration=True)
        with context.begin_transaction():
            context.run_migrations()
    engine.dispose()


_run()
