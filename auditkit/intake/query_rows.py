"""The rows that one query gives: read, never written, from SQLite or PostgreSQL, a chunk at a time."""

from __future__ import annotations

import datetime as dt
import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import UUID

from auditkit.errors import SourceError
from auditkit.intake.databases import Database, masked, query_fault
from auditkit.intake.word_cells import as_text

if TYPE_CHECKING:
    from sqlalchemy import URL, Connection, Engine

__all__ = ["CHUNK_ROWS", "QueryRows", "cell_text", "open_database"]

CHUNK_ROWS = 10_000
"""Rows held in memory at once."""

_CONNECT_SECONDS = 10
_SQLITE_STEPS = 10_000  # of the database's machine, between two looks at the clock
_ALLOWED = frozenset(
    (
        sqlite3.SQLITE_SELECT,
        sqlite3.SQLITE_READ,
        sqlite3.SQLITE_FUNCTION,
        sqlite3.SQLITE_RECURSIVE,
        sqlite3.SQLITE_TRANSACTION,
    )
)
_CURE = "Install it with: pip install 'auditkit[sql]'"


class QueryRows:
    """A database opened to be read; all its queries see it as it stands at one moment.

    Parameters
    ----------
    connection : Connection
    name : str
        How messages call the database.
    timeout_s : float
    """

    def __init__(self, connection: Connection, *, name: str, timeout_s: float) -> None:
        self._connection = connection
        self._name = name
        self._timeout_s = timeout_s

    def ask(self, query: str) -> tuple[tuple[str, ...], Iterator[Sequence[Sequence[str | None]]]]:
        """Return the headers of a query, and its rows in chunks, each value as text.

        Raises
        ------
        SourceError
            The query is no single statement that reads, fails, or takes too
            long; a value has no text that would be sure.
        """
        fault = query_fault(query)
        if fault is not None:
            raise SourceError(f"database {self._name}: a query {fault}. Correct the query in dossier.yaml.")
        with _told(self._name, "the query failed", "Correct the query in dossier.yaml"):
            _arm(self._connection, timeout_s=self._timeout_s)
            # without parameters the driver takes a per cent sign or a colon in the query as it stands
            result = self._connection.exec_driver_sql(
                query, execution_options={"stream_results": True, "max_row_buffer": CHUNK_ROWS, "no_parameters": True}
            )
            headers = tuple(str(header) for header in result.keys())  # noqa: SIM118
        return headers, self._chunks(headers, result)

    def _chunks(self, headers: Sequence[str], result: Any) -> Iterator[Sequence[Sequence[str | None]]]:
        with _told(self._name, "the query failed", "Correct the query in dossier.yaml"):
            done = 0
            for rows in result.partitions(CHUNK_ROWS):
                yield [self._texts(headers, row, done + number) for number, row in enumerate(rows, start=1)]
                done += len(rows)

    def _texts(self, headers: Sequence[str], row: Sequence[Any], number: int) -> list[str | None]:
        texts = []
        for header, value in zip(headers, row, strict=True):
            try:
                texts.append(cell_text(value))
            except TypeError as error:
                raise SourceError(
                    f"database {self._name}, row {number}, column {header!r}: must be a number, text, a moment, or yes "
                    f"or no; given {error}. Cast it to text in the query."
                ) from error
        return texts


@contextmanager
def open_database(database: Database, *, folder: Path, timeout_s: float) -> Iterator[QueryRows]:
    """Yield a database opened to be read, in one transaction that cannot write.

    Parameters
    ----------
    database : Database
    folder : Path
        Of the dossier; a relative path to a SQLite file is inside it.
    timeout_s : float
        Longest time `[s]` that the database may work at one query (PostgreSQL:
        at one chunk of it).

    Raises
    ------
    SourceError
        The database cannot be opened, or SQLAlchemy is not installed. The
        message holds neither URL nor password.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     site = sqlite3.connect(Path(place) / "site.db")
    ...     _ = site.executescript("create table units (unit_id text, n int); insert into units values ('U1', 3)")
    ...     site.close()
    ...     with open_database(Database(name="site", file="site.db"), folder=Path(place), timeout_s=5) as opened:
    ...         headers, chunks = opened.ask("select * from units")
    ...         print(headers, list(chunks))
    ('unit_id', 'n') [[['U1', '3']]]
    """
    engine = _engine(database, folder=folder)
    try:
        with _told(database.name, "cannot be opened", "See that it runs and that you may read it"):
            connection = engine.connect()
        with connection:
            with _told(database.name, "cannot be opened", "See that it runs and that you may read it"):
                _begin(connection)
            yield QueryRows(connection, name=database.name, timeout_s=timeout_s)
    finally:
        engine.dispose()


def cell_text(value: object) -> str | None:
    """Return a value as the database gives it, as text; nothing where it is null.

    Raises
    ------
    TypeError
        It is a list, bytes, a duration or another value that is written in more than one way.

    Examples
    --------
    >>> [cell_text(value) for value in (None, True, 3.0, 0.1, Decimal("12.50"), Decimal("1E-7"), "A1 ")]
    [None, 'true', '3', '0.1', '12.50', '0.0000001', 'A1 ']
    >>> cell_text(dt.datetime(2027, 1, 13, 9, 5, tzinfo=dt.timezone(dt.timedelta(hours=1))))
    '2027-01-13T09:05:00+01:00'
    """
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, (dt.datetime, dt.date, dt.time)):
        return value.isoformat()
    if isinstance(value, (int, float, UUID)):
        return as_text(value)
    raise TypeError(f"a value of type {type(value).__name__}")


def _engine(database: Database, *, folder: Path) -> Engine:
    try:
        import sqlalchemy
    except ImportError as error:
        raise SourceError(f"database {database.name}: SQLAlchemy is needed to read it. {_CURE}") from error
    url = _url(database)
    backend = url.get_backend_name()
    if backend == "sqlite":
        path = _sqlite_path(url.database, database, folder=folder)
        return sqlalchemy.create_engine("sqlite://", creator=lambda: _sqlite(path), poolclass=sqlalchemy.pool.NullPool)
    if backend not in ("postgresql", "postgres"):
        raise SourceError(
            f"database {database.name}: must be SQLite or PostgreSQL, which can be kept from writing; given {backend}. "
            "Export its tables as .csv."
        )
    try:
        return sqlalchemy.create_engine(
            url.set(drivername="postgresql+psycopg"),
            connect_args={"connect_timeout": _CONNECT_SECONDS},
            poolclass=sqlalchemy.pool.NullPool,
            isolation_level="REPEATABLE READ",
        )
    except ImportError as error:
        raise SourceError(f"database {database.name}: psycopg is needed to read PostgreSQL. {_CURE}") from error


def _url(database: Database) -> URL:
    from sqlalchemy.engine import make_url
    from sqlalchemy.exc import ArgumentError

    if database.variable is None:
        return make_url(f"sqlite:///{database.file}")
    given = os.environ.get(database.variable, "")
    if not given:
        raise SourceError(
            f"database {database.name}: the variable {database.variable} must hold its URL; it is not set. Run: "
            f"export {database.variable}=postgresql://USER@HOST/DATABASE (the password may stay in ~/.pgpass)"
        )
    try:
        return make_url(given)
    except (ArgumentError, ValueError):
        raise SourceError(
            f"database {database.name}: the variable {database.variable} must hold a URL that SQLAlchemy can read "
            "(its text is not shown). Write it as postgresql://USER@HOST/DATABASE or sqlite:////PATH"
        ) from None


def _sqlite_path(name: str | None, database: Database, *, folder: Path) -> Path:
    """Return the SQLite file; one that dossier.yaml names, and every relative one, must truly lie inside the folder."""
    path = (folder / (name or "")).resolve()
    outside = database.variable is not None and Path(name or "").is_absolute()
    if not outside and not path.is_relative_to(folder.resolve()):
        raise SourceError(
            f"database {database.name}: must be a file inside the folder; given a path or link that leads out of it. "
            "Give an absolute URL in a variable of the environment, under url_from."
        )
    if not path.is_file():
        shown = name if database.variable is None else f"what {database.variable} names"
        raise SourceError(
            f"database {database.name}: must be a SQLite file; there is none at {shown}. Correct the path."
        )
    return path


def _sqlite(path: Path) -> sqlite3.Connection:
    """Return a connection that cannot write, and that begins and ends no transaction by itself."""
    return sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=_CONNECT_SECONDS, isolation_level=None)


def _begin(connection: Connection) -> None:
    """Begin the one transaction, in which nothing can be written."""
    if connection.dialect.name != "sqlite":
        connection.exec_driver_sql("SET TRANSACTION READ ONLY")
        return
    connection.exec_driver_sql("BEGIN")
    _driver(connection).set_authorizer(
        lambda action, *about: sqlite3.SQLITE_OK if action in _ALLOWED else sqlite3.SQLITE_DENY
    )


def _arm(connection: Connection, *, timeout_s: float) -> None:
    """Let the database give up the next query in time."""
    if connection.dialect.name != "sqlite":
        connection.exec_driver_sql(f"SET LOCAL statement_timeout = {max(1, round(timeout_s * 1000))}")
        return
    end = time.monotonic() + timeout_s
    _driver(connection).set_progress_handler(lambda: int(time.monotonic() > end), _SQLITE_STEPS)


def _driver(connection: Connection) -> Any:
    return connection.connection.driver_connection


@contextmanager
def _told(name: str, what: str, cure: str) -> Iterator[None]:
    """Raise what the database says as a SourceError; the URL stands in no message of a driver, a password might."""
    from sqlalchemy.exc import DBAPIError, SQLAlchemyError

    try:
        yield
    except SQLAlchemyError as error:
        said = error.orig if isinstance(error, DBAPIError) else error
        reason = masked(" ".join(str(said).split()))[:300]
        raise SourceError(f"database {name}: {what}; it says: {reason}. {cure}.") from None
    except (sqlite3.Error, sqlite3.Warning, UnicodeError) as error:
        raise SourceError(f"database {name}: {what}; it says: {error}. {cure}.") from None
