"""Runs the journal's migrations over the record that `pinset.journal.store.migrate` names."""

import sqlite3
from pathlib import Path

from alembic import context
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import NullPool

from pinset.journal.sqlite import FILE_NAME
from pinset.journal.store import is_url


def _engine(where: Path | str) -> Engine:
    if is_url(where):
        address = "postgresql+psycopg://" + str(where).partition("://")[2]
        # a step that would overlook rows, because they are another farm's, fails instead
        return create_engine(address, poolclass=NullPool, connect_args={"options": "-c row_security=off"})
    engine = create_engine(f"sqlite:///{Path(where) / FILE_NAME}")

    @event.listens_for(engine, "connect")
    def _by_hand(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # the driver would commit before each change of schema
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    return engine


def _run() -> None:
    engine = _engine(context.config.attributes["where"])
    with engine.connect() as connection:
        context.configure(connection=connection, render_as_batch=True, transaction_per_migration=True)
        with context.begin_transaction():
            context.run_migrations()
    engine.dispose()


_run()
