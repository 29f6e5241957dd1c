"""What a report was made with."""

import copy
import hashlib
import importlib.metadata
import json
import platform
import sys
from pathlib import Path

from auditkit.report.surroundings import compare_environments, environment


def test_versions_and_digests_are_those_installed():
    found = environment()
    assert found["python"]["version"] == ".".join(map(str, sys.version_info[:3]))
    assert found["platform"]["machine"] == platform.machine()
    for name in ("numpy", "pandas", "statsmodels"):
        package = importlib.metadata.distribution(name)
        assert found["packages"][name]["version"] == package.version
        record = package.read_text("RECORD")
        assert found["packages"][name]["record_sha256"] == hashlib.sha256(record.encode()).hexdigest()
        assert len(found["packages"][name]["content_sha256"]) == 64
    assert list(found["packages"]) == sorted(found["packages"])
    assert "python-calamine" in found["packages"]


def test_it_tells_nothing_of_the_machine_or_its_owner():
    text = json.dumps(environment())
    for secret in (platform.node(), str(Path.home()), sys.prefix, str(Path.cwd())):
        assert len(secret) < 4 or secret not in text


def test_it_is_the_same_twice():
    assert environment() == environment()


def test_differences_are_named_each():
    one = environment()
    assert compare_environments(one, copy.deepcopy(one)).empty
    other = copy.deepcopy(one)
    other["python"]["version"] = "3.99.0"
    other["auditkit"]["program_sha256"] = "0"
    other["packages"]["pandas"]["version"] = "9"
    other["packages"]["numpy"]["content_sha256"] = "0"
    other["packages"]["new"] = {"version": "1", "record_sha256": "", "content_sha256": ""}
    del other["packages"]["scipy"]
    other["packages"]["plotly"]["record_sha256"] = "another installer"
    found = compare_environments(one, other)
    assert found[["what", "difference"]].to_numpy().tolist() == [
        ["auditkit", "content"],
        ["new", "further"],
        ["numpy", "content"],
        ["pandas", "version"],
        ["python", "version"],
        ["scipy", "missing"],
    ]
    assert found.loc[found["what"] == "python", ["recorded", "present"]].to_numpy().tolist() == [
        [one["python"]["version"], "3.99.0"]
    ]
