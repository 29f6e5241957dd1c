"""The how-to lines of the README run in order on a small dossier, and end with the exit code written behind them."""

import json
import re
import shlex
from pathlib import Path

from .report.small_dossier import write_small

README = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
BLOCK = re.compile(r"<!-- how-to: (?P<user>\w+) -->\n```sh\n(?P<lines>.*?)```", flags=re.DOTALL)
FOUND = ("found", "found-today")
DAY_8 = """\
area_id,side,spot,repeat,dft_um,gauge_id,taken_at
A2,reverse,1,1,50.8,G1,2027-01-14T10:01:01+01:00
A2,reverse,2,1,66.1,G1,2027-01-14T10:01:07+01:00
"""
LINE = re.compile(r"^\.venv/bin/auditkit (?P<arguments>.*?) +# (?P<code>[0-3])$")


def promised():
    """Return (user, arguments, exit code) of every how-to line, in the README's order."""
    lines = []
    for block in BLOCK.finditer(README):
        for line in block["lines"].splitlines():
            matched = LINE.match(line)
            assert matched, f"a how-to line must be a command with its exit code; given {line!r}"
            lines.append((block["user"], shlex.split(matched["arguments"]), int(matched["code"])))
    return lines


def test_each_user_has_a_how_to():
    assert [block["user"] for block in BLOCK.finditer(README)] == ["engineer", "auditor", "ci"]


def test_every_line_ends_as_it_says_and_leaves_what_the_next_needs(call, tmp_path, monkeypatch, started):
    write_small(tmp_path / "site")
    (tmp_path / "film_day8.csv").write_text(DAY_8, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    for user, arguments, code in promised():
        ended, out, err = call(*arguments)
        assert ended == code, f"{user}: auditkit {shlex.join(arguments)}\n{out}{err}"
        assert out.strip()
    assert (tmp_path / "sheets" / "field_sheets" / "film_readings.xlsx").is_file()
    assert len(started) == 1
    assert (tmp_path / "site-notebooks" / "05_defects_and_conditions.ipynb").is_file()
    assert (tmp_path / "sealed.zip").is_file()
    before, after = (json.loads((tmp_path / name / "findings.json").read_text(encoding="utf-8")) for name in FOUND)
    assert after["records"]["accepted"] == before["records"]["accepted"] + 2
    assert "The two reports say the same" in out  # of the last line, which compares the two
