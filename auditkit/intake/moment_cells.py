"""Cells that hold moments: a date and a time of day, brought to UTC.

Dates are read in the order declared, year-first always; local times in the zone
declared. What could be two moments is refused.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from zoneinfo import ZoneInfo

from auditkit.contracts.catalogue import Wording, word
from auditkit.intake.declaration import Reading

__all__ = ["is_bare_date", "moment_part", "moment_reader"]

_DATE = r"(?P<a>[0-9]{1,4})(?P<mark>[-./])(?P<b>[0-9]{1,2})(?P=mark)(?P<c>[0-9]{1,4})"
_TIME = (
    r"(?P<hour>[0-9]{1,2}):(?P<minute>[0-9]{2})(?::(?P<second>[0-9]{2})(?:[.,](?P<fraction>[0-9]{1,9}))?)?"
    r"(?:\s?(?P<half>[AaPp])\.?[Mm]\.?)?(?:\s?(?P<zone>[Zz]|[+-][0-9]{2}(?::?[0-9]{2})?))?"
)
_MOMENT = re.compile(rf"{_DATE}(?:[Tt]|,?\s+){_TIME}")
_ONLY_DATE = re.compile(_DATE)
_ONLY_TIME = re.compile(_TIME)
_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_MICROSECOND = dt.timedelta(microseconds=1)
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_NOON = dt.time(12)
_FIRST_YEAR, _LAST_YEAR = 1900, 2200


class _Refused(Exception):
    """Carries the wording of what is wrong with a cell."""

    def __init__(self, code: str, given: dict[str, object] | None = None) -> None:
        super().__init__(code)
        self.wording = word(code, given)


def moment_reader(reading: Reading, *, date_only: bool = False) -> Callable[[object], int | Wording]:
    """Return a function that reads one cell as microseconds since 1970 in UTC, or says what is wrong with it.

    Parameters
    ----------
    reading : Reading
    date_only : bool
        A date without a time of day is read as 12:00 local time.

    Examples
    --------
    >>> read = moment_reader(Reading(dates="day-first", time_zone="Europe/Oslo"))
    >>> read("13.01.2027 09:05") == read("2027-01-13T08:05:00Z") == 1799827500000000
    True
    >>> moment_reader(Reading())("03/04/2027 09:05").holds
    'must be read one way only; it could be 3 April or March 4'
    >>> read = moment_reader(Reading(time_zone="Europe/Oslo"), date_only=True)
    >>> read("2027-01-13") == moment_reader(Reading())("2027-01-13T12:00+01:00")
    True
    """
    zone = None if reading.time_zone is None else ZoneInfo(reading.time_zone)

    def read(cell: object) -> int | Wording:
        try:
            date = _bare_date(cell, reading.dates) if date_only else None
            if date is not None:
                moment = dt.datetime.combine(date, _NOON)
            else:
                moment = _written(cell, reading.dates) if isinstance(cell, str) else _native(cell)
            if not _FIRST_YEAR <= moment.year <= _LAST_YEAR:
                raise _Refused("far year")
            return (_with_offset(moment, zone) - _EPOCH) // _MICROSECOND
        except _Refused as refused:
            return refused.wording

    return read


def is_bare_date(cell: object) -> bool:
    """Return whether a cell holds a date without a time of day.

    Examples
    --------
    >>> is_bare_date("13.01.2027"), is_bare_date(dt.date(2027, 1, 13)), is_bare_date("13.01.2027 09:05")
    (True, True, False)
    """
    if isinstance(cell, str):
        return _ONLY_DATE.fullmatch(cell) is not None
    return isinstance(cell, dt.date) and not isinstance(cell, dt.datetime)


def _bare_date(cell: object, order: str | None) -> dt.date | None:
    """Return the date of a cell that holds no more than a date, or None for any other cell."""
    if isinstance(cell, dt.date) and not isinstance(cell, dt.datetime):
        return cell
    found = _ONLY_DATE.fullmatch(cell) if isinstance(cell, str) else None
    if found is None:
        return None
    try:
        return dt.date(*_date(found, order))
    except ValueError as error:
        raise _Refused("no such moment", {"why": str(error)}) from None


def moment_part(cell: object) -> str:
    """Return a part of a moment as text that can be joined: dates year-first, times to the second or finer.

    Examples
    --------
    >>> moment_part(dt.datetime(2027, 1, 13)), moment_part(dt.time(9, 5)), moment_part(" 9:05 ")
    ('2027-01-13', '09:05:00', '9:05')
    """
    if cell is None:
        return ""
    if isinstance(cell, dt.datetime):
        return cell.date().isoformat() if cell.time() == dt.time() else cell.isoformat(sep=" ")
    if isinstance(cell, dt.timedelta):
        return str(cell)
    if isinstance(cell, (dt.date, dt.time)):
        return cell.isoformat()
    return str(cell).strip()


def _native(cell: object) -> dt.datetime:
    """Return a moment that the file itself holds as one."""
    if isinstance(cell, dt.datetime):
        if getattr(cell, "nanosecond", 0):
            raise _Refused("nanoseconds")
        return cell
    if isinstance(cell, dt.date):
        raise _Refused("midnight cell", {"date": cell.isoformat()})
    raise _Refused("no date" if isinstance(cell, dt.time) else "moment")


def _written(text: str, order: str | None) -> dt.datetime:
    """Return a moment written out, with its offset if it has one."""
    found = _MOMENT.fullmatch(text)
    if found is None:
        if _ONLY_DATE.fullmatch(text):
            raise _Refused("no time")
        raise _Refused("no date" if _ONLY_TIME.fullmatch(text) else "moment")
    year, month, day = _date(found, order)
    fraction = (found["fraction"] or "").ljust(6, "0")
    if fraction[6:].strip("0"):
        raise _Refused("nanoseconds")
    try:
        return dt.datetime(
            year,
            month,
            day,
            _hour(int(found["hour"]), found["half"]),
            int(found["minute"]),
            int(found["second"] or 0),
            int(fraction[:6]),
            tzinfo=_offset(found["zone"]),
        )
    except ValueError as error:
        raise _Refused("no such moment", {"why": str(error)}) from None


def _date(found: re.Match[str], order: str | None) -> tuple[int, int, int]:
    """Return year, month and day in the order declared."""
    a, b, c = found["a"], found["b"], found["c"]
    if len(a) == 4 and len(c) <= 2:
        return int(a), int(b), int(c)
    if len(a) > 2 or len(c) != 4:
        raise _Refused("short year")
    if order == "day-first":
        return int(c), int(b), int(a)
    if order == "month-first":
        return int(c), int(a), int(b)
    if order == "year-first":
        raise _Refused("order differs")
    raise _order_fault(int(a), int(b))


def _order_fault(a: int, b: int) -> _Refused:
    """Return why a date without a declared order is refused."""
    by_day = f"{a} {_MONTHS[b - 1]}" if 1 <= b <= 12 and 1 <= a <= 31 else None
    by_month = f"{_MONTHS[a - 1]} {b}" if 1 <= a <= 12 and 1 <= b <= 31 else None
    if by_day and by_month and a != b:
        return _Refused("day or month", {"day_first": by_day, "month_first": by_month})
    if by_day and by_month:
        return _Refused("order undeclared", {"only": by_day, "order": "day-first or month-first"})
    if by_day or by_month:
        return _Refused(
            "order undeclared", {"only": by_day or by_month, "order": "day-first" if by_day else "month-first"}
        )
    return _Refused("no such moment", {"why": "no month has that number"})


def _hour(hour: int, half: str | None) -> int:
    if half is None:
        return hour
    if not 1 <= hour <= 12:
        raise ValueError("with AM or PM the hour must be in 1..12")
    return hour % 12 + (12 if half in "pP" else 0)


def _offset(text: str | None) -> dt.tzinfo | None:
    if text is None:
        return None
    if text in "Zz":
        return dt.UTC
    digits = text[1:].replace(":", "").ljust(4, "0")
    if int(digits[2:]) > 59:
        raise ValueError("the minutes of an offset must be in 0..59")
    span = dt.timedelta(hours=int(digits[:2]), minutes=int(digits[2:]))
    return dt.timezone(span if text[0] == "+" else -span)


def _with_offset(moment: dt.datetime, zone: ZoneInfo | None) -> dt.datetime:
    """Return a moment with its offset; a local time must occur once in its zone."""
    if moment.tzinfo is not None:
        return moment
    if zone is None:
        raise _Refused("zone undeclared", {"example": f"{moment.isoformat()}+01:00"})
    early, late = (moment.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if early.utcoffset() == late.utcoffset():
        return early
    # PEP 495: in a gap the first reading has the smaller offset, in a fold the larger
    gap = (early.utcoffset() or dt.timedelta()) < (late.utcoffset() or dt.timedelta())
    given: dict[str, object] = {"zone": str(zone), "first": early.isoformat(), "second": late.isoformat()}
    raise _Refused("never" if gap else "twice", given)
