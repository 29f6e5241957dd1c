import datetime as dt
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditkit.contracts.catalogue import Wording
from auditkit.intake.declaration import Reading
from auditkit.intake.moment_cells import moment_part, moment_reader

EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)


def of(cell, **declared):
    found = moment_reader(Reading(**declared))(cell)
    return found if isinstance(found, Wording) else (EPOCH + dt.timedelta(microseconds=found)).isoformat()


@pytest.mark.parametrize(
    "text",
    [
        "2027-01-13T09:05:00+01:00",
        "2027-01-13T08:05:00Z",
        "2027-01-13 09:05+01",
        "2027-01-13 09:05:00.000+0100",
        "2027-01-13T03:05:00-05:00",
        "2027/01/13 08:05 Z",
    ],
)
def test_moments_with_offset_need_no_declaration(text):
    assert of(text) == "2027-01-13T08:05:00+00:00"


@pytest.mark.parametrize(
    ("text", "dates"),
    [
        ("2027-01-13 09:05", None),
        ("2027-01-13T09:05:00", "month-first"),
        ("13/01/2027 9:05", "day-first"),
        ("13.01.2027 09:05:00", "day-first"),
        ("13.1.2027, 09:05", "day-first"),
        ("01/13/2027 9:05 AM", "month-first"),
        ("01-13-2027 9:05am", "month-first"),
        ("2027.01.13 09:05", "year-first"),
    ],
)
def test_local_times_are_read_in_the_declared_order_and_zone(text, dates):
    assert of(text, dates=dates, time_zone="Europe/Oslo") == "2027-01-13T08:05:00+00:00"


@pytest.mark.parametrize(("text", "hour"), [("12:00 AM", 0), ("12:30 PM", 12), ("1:00 p.m.", 13), ("11:59 PM", 23)])
def test_halves_of_the_day(text, hour):
    assert dt.datetime.fromisoformat(of(f"2027-01-13 {text}", time_zone="UTC")).hour == hour


def test_fractions_of_a_second_are_kept():
    assert of("2027-01-13 09:05:30.25Z") == "2027-01-13T09:05:30.250000+00:00"
    assert of("2027-01-13 09:05:30,123456000Z") == "2027-01-13T09:05:30.123456+00:00"
    assert of("2027-01-13 09:05:30.1234567Z").holds == "must be a time in whole microseconds"


def test_a_date_that_could_be_two_days_is_refused():
    assert of("03/04/2027 09:05", time_zone="UTC") == Wording(
        "ambiguous",
        "must be read one way only; it could be 3 April or March 4",
        "give the order in dossier.yaml (dates: day-first)",
    )


@pytest.mark.parametrize(
    ("text", "only", "order"),
    [
        ("13/01/2027 09:05", "13 January", "day-first"),
        ("01/13/2027 09:05", "January 13", "month-first"),
        ("03.03.2027 09:05", "3 March", "day-first or month-first"),
    ],
)
def test_a_date_that_can_be_one_day_only_still_needs_its_order_declared(text, only, order):
    fault = of(text, time_zone="UTC")
    assert fault.rule == "ambiguous"
    assert fault.holds.endswith(f"since a column is read one way; by itself it can only be {only}")
    assert fault.cure == f"give the order in dossier.yaml (dates: {order})"


@pytest.mark.parametrize(
    ("text", "declared", "holds"),
    [
        ("13/01/27 09:05", {"dates": "day-first"}, "must have a year of four digits"),
        ("2027-01-13", {}, "must have a time of day"),
        ("13.01.2027", {}, "must have a time of day"),
        ("09:05", {}, "must have a date"),
        ("soon", {}, "must be a date with a time of day"),
        ("20270113T0905", {}, "must be a date with a time of day"),
        ("2027-02-30 09:05Z", {}, "must be a date and time that exist: "),
        ("2027-13-01 09:05Z", {}, "must be a date and time that exist: "),
        ("2027-01-13 25:00Z", {}, "must be a date and time that exist: "),
        ("2027-01-13 23:59:60Z", {}, "must be a date and time that exist: "),
        ("2027-01-13 13:05 PM", {"time_zone": "UTC"}, "must be a date and time that exist: with AM or PM"),
        ("2027-01-13 09:05+01:75", {}, "must be a date and time that exist: the minutes of an offset"),
        ("01/13/2027 09:05Z", {"dates": "day-first"}, "must be a date and time that exist: "),
        ("13/01/2027 09:05Z", {"dates": "year-first"}, "must be written year-first, as declared"),
        ("44/44/2027 09:05Z", {}, "must be a date and time that exist: no month has that number"),
        ("1027-01-13 09:05Z", {}, "must lie in the years 1900 to 2200"),
        (46400.378, {}, "must be a date with a time of day"),
        (True, {}, "must be a date with a time of day"),
        (dt.time(9, 5), {}, "must have a date"),
        (dt.date(2027, 1, 13), {}, "must have a time of day; in a spreadsheet a midnight cannot be told"),
    ],
)
def test_what_is_no_moment_is_refused(text, declared, holds):
    fault = of(text, **declared)
    assert fault.rule == "type"
    assert fault.holds.startswith(holds)


def test_a_local_time_needs_its_zone():
    fault = of("2027-01-13 09:05")
    assert fault.rule == "ambiguous"
    assert fault.cure == "declare time_zone in dossier.yaml, or write the offset, e.g. 2027-01-13T09:05:00+01:00"


# Clocks in the European Union go back on the last Sunday of October and forward on the last of March, both at
# 01:00 UTC (directive 2000/84/EC): 31 October and 28 March in 2027.
def test_a_local_time_that_occurs_twice_is_refused():
    fault = of("2027-10-31 02:30", time_zone="Europe/Oslo")
    assert (fault.rule, fault.holds) == (
        "ambiguous",
        "must be one moment; clocks went back and it occurs twice in Europe/Oslo",
    )
    assert fault.cure == "write the offset, e.g. 2027-10-31T02:30:00+02:00 or 2027-10-31T02:30:00+01:00"
    assert of("2027-10-31 01:59", time_zone="Europe/Oslo") == "2027-10-30T23:59:00+00:00"
    assert of("2027-10-31 03:00", time_zone="Europe/Oslo") == "2027-10-31T02:00:00+00:00"
    assert of("2027-10-31 02:30+01:00", time_zone="Europe/Oslo") == "2027-10-31T01:30:00+00:00"


def test_a_local_time_that_never_occurs_is_refused():
    fault = of("2027-03-28 02:30", time_zone="Europe/Oslo")
    assert (fault.rule, fault.holds) == (
        "type",
        "must be a time that occurs; clocks went forward over it in Europe/Oslo",
    )
    assert of("2027-03-28 03:00", time_zone="Europe/Oslo") == "2027-03-28T01:00:00+00:00"


def test_native_moments_are_local_unless_they_carry_their_offset():
    local = dt.datetime(2027, 7, 13, 9, 5)
    assert of(local, time_zone="Europe/Oslo") == "2027-07-13T07:05:00+00:00"
    assert of(local).rule == "ambiguous"
    assert of(local.replace(tzinfo=dt.UTC)) == "2027-07-13T09:05:00+00:00"
    assert of(pd.Timestamp("2027-07-13 09:05:00.000000001", tz="UTC")).holds == "must be a time in whole microseconds"


@given(
    st.datetimes(dt.datetime(1901, 1, 1), dt.datetime(2199, 12, 31)),
    st.sampled_from(["UTC", "Europe/Oslo", "America/St_Johns"]),
)
def test_local_times_agree_with_zoneinfo(moment, zone):
    """The reference is the standard library's zoneinfo: a time read must come back the same in its zone."""
    found = moment_reader(Reading(dates="day-first", time_zone=zone))(
        moment.strftime("%d.%m.%Y %H:%M:%S.%f").replace(" ", "  ")
    )
    early, late = (moment.replace(tzinfo=ZoneInfo(zone), fold=fold) for fold in (0, 1))
    if early.utcoffset() != late.utcoffset():
        assert isinstance(found, Wording)
    else:
        assert (EPOCH + dt.timedelta(microseconds=found)).astimezone(ZoneInfo(zone)).replace(tzinfo=None) == moment


def test_parts_are_joined_as_written():
    assert moment_part(None) == ""
    assert moment_part(dt.datetime(2027, 1, 13, 9, 5)) == "2027-01-13 09:05:00"
    assert moment_part(dt.date(2027, 1, 13)) == "2027-01-13"
    assert moment_part(dt.timedelta(hours=9, minutes=5)) == "9:05:00"


@pytest.mark.parametrize(
    ("cell", "declared", "found"),
    [
        ("13.01.2027", {"dates": "day-first", "time_zone": "Europe/Oslo"}, "2027-01-13T11:00Z"),
        ("01/13/2027", {"dates": "month-first", "time_zone": "Europe/Oslo"}, "2027-01-13T11:00Z"),
        (dt.date(2027, 7, 13), {"time_zone": "Europe/Oslo"}, "2027-07-13T10:00Z"),
        ("2027-01-13", {"time_zone": "Etc/GMT+5"}, "2027-01-13T17:00Z"),
        ("2027-01-13 09:05", {"time_zone": "Europe/Oslo"}, "2027-01-13T08:05Z"),  # a time that is there is kept
        ("03/04/2027", {"time_zone": "UTC"}, "must be read one way only; it could be 3 April or March 4"),
        ("2027-02-30", {"time_zone": "UTC"}, "must be a date and time that exist"),
        ("2027-01-13", {}, "must come with its offset from UTC, or with a time zone declared"),
        ("09:05", {"time_zone": "UTC"}, "must have a date"),
        ("soon", {"time_zone": "UTC"}, "must be a date with a time of day"),
    ],
)
def test_bare_dates_are_noon_where_asked_for(cell, declared, found):
    read = moment_reader(Reading(**declared), date_only=True)(cell)
    if isinstance(read, Wording):
        assert read.holds.startswith(found)
    else:
        assert read == (pd.Timestamp(found) - EPOCH) // pd.Timedelta("1us")
