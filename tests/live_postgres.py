"""A PostgreSQL database of its own for a test; `.ci/run` starts the server."""

import os
import uuid
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

VARIABLE = "AUDITKIT_TEST_POSTGRES"
REASON = "AUDITKIT_NO_POSTGRES"
WHY = f"{VARIABLE} is not set; run `source .ci/postgres; start_postgres` before, and `stop_postgres` after"


@contextmanager
def new_database() -> Iterator[str]:
    """Yield the URL of a new database, in which days begin in Oslo.

    Where no server was started the test is skipped, with the reason; one that
    was started and cannot be reached fails it.
    """
    server = os.environ.get(VARIABLE)
    if not server:
        pytest.skip(os.environ.get(REASON) or WHY)
    import psycopg
    from sqlalchemy.engine import make_url

    url = make_url(server)
    name = f"audit_{uuid.uuid4().hex}"
    with psycopg.connect(plain(server), autocommit=True) as connection:
        connection.execute(f'CREATE DATABASE "{name}"')
        connection.execute(f"ALTER DATABASE \"{name}\" SET timezone TO 'Europe/Oslo'")
    try:
        yield url.set(database=name).render_as_string(hide_password=False)
    finally:
        with psycopg.connect(plain(server), autocommit=True) as connection:
            connection.execute(f'DROP DATABASE "{name}" WITH (FORCE)')


def plain(url: str) -> str:
    """Return a URL as libpq reads it."""
    return url.replace("postgresql+psycopg://", "postgresql://")
