"""Paths inside a sealed report."""

import pytest

from auditkit.report.inner_paths import clashing_paths, path_fault, shown_path


@pytest.mark.parametrize(
    ("path", "fault"),
    [
        ("", "must have 1 to 1000 characters"),
        ("a" * 1001, "must have 1 to 1000 characters"),
        ("/etc/passwd", "starts at a root"),
        ("../key", "leads out of its folder"),
        ("a/../../key", "leads out of its folder"),
        ("a//b", "has an empty part"),
        ("a/", "has an empty part"),
        ("./a", "has an empty part"),
        ("a\\..\\b", "holds '\\\\'"),
        ("C:/x", "holds ':'"),
        ("a%2e%2e", "holds '%'"),
        ("a\x00b", "holds the hidden character U+0000"),
        ("a\nb", "holds the hidden character U+000A"),
        ("fdp\u202ecsv.exe", "holds the hidden character U+202E"),
        ("x\udcff", "holds the hidden character U+DCFF"),
        ("CON", "has a part that some systems keep for themselves ('CON')"),
        ("a/lpt1.csv", "has a part that some systems keep for themselves ('lpt1.csv')"),
        ("a. ", "has a part that ends in a dot or blank ('a. ')"),
        ("x" * 201, "has a part of more than 200 bytes"),
    ],
)
def test_paths_that_lead_elsewhere_on_some_system(path, fault):
    assert path_fault(path) == fault


@pytest.mark.parametrize("path", ["a", "data/records/Messfläche 1.csv", ".hidden", "...x", "console.csv", "x" * 200])
def test_plain_paths(path):
    assert path_fault(path) is None


def test_paths_that_some_system_takes_for_one():
    assert clashing_paths(["a/X", "a/x"]) == [("a/X", "a/x")]
    assert clashing_paths(["é", "e\u0301"]) == [("é", "e\u0301")]
    assert clashing_paths(["a", "A/b"]) == [("a", "A/b")]
    assert clashing_paths(["A/b", "a/c"]) == [("A", "a")]
    assert clashing_paths(["stra\u00dfe", "STRASSE"]) == [("stra\u00dfe", "STRASSE")]
    assert clashing_paths(["a/b", "a/c", "ab"]) == []


def test_a_path_shown_is_one_printable_line():
    assert shown_path("a\nb\x1b[31m\udcff\u202e") == "a\\nb\\x1b[31m\\udcff\\u202e"
    assert shown_path("Fläche.csv") == "Fläche.csv"
