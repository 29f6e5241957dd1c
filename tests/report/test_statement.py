"""The statement beside a sealed folder."""

import json
from dataclasses import replace

import pytest

from auditkit.errors import SourceError
from auditkit.report.bag import Seal, seal_of, write_bag
from auditkit.report.statement import read_statement, statement_faults, statement_path, write_statement

DIGEST = "0123456789abcdef" * 4


@pytest.fixture
def bag(tmp_path):
    return write_bag({"findings.json": b"{}"}, tmp_path / "report", info={"Bagging-Date": "2027-04-01"})


def state(bag, **changed):
    return write_statement(
        bag,
        **{"dossier": "Refit Ø", "record_digest": DIGEST, "date": "2027-04-01", "signer": "K", "words": "W"} | changed,
    )


def test_a_statement_names_dossier_digests_and_date(bag, tmp_path):
    path = state(bag)
    assert path == statement_path(bag) == tmp_path / "report.statement.json"
    stated = read_statement(path.read_bytes())
    assert (stated.dossier, stated.record_digest, stated.date) == ("Refit Ø", DIGEST, "2027-04-01")
    assert (stated.signer, stated.words) == ("K", "W")
    assert stated.seal == seal_of(bag)
    assert statement_faults(stated, seal=seal_of(bag), record_digest=DIGEST) == []


def test_a_statement_of_another_folder(bag):
    stated = read_statement(state(bag).read_bytes())
    seal = seal_of(bag)
    assert statement_faults(stated, seal=None) == ["the folder has no seal"]
    assert statement_faults(stated, seal=replace(seal, sha256="x")) == [
        f"the seal is x (SHA-256); the statement is of {seal.sha256}"
    ]
    assert statement_faults(stated, seal=Seal(sha256=seal.sha256, sha512="x")) == [
        f"the seal is x (SHA-512); the statement is of {seal.sha512}"
    ]
    assert statement_faults(stated, seal=seal, record_digest="x") == [
        f"the records have the digest x; the statement is of {DIGEST}"
    ]


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"record_digest": "x"}, "record_digest must be the SHA-256 of the records"),
        ({"date": "1 April"}, "date must be as in ISO 8601; given '1 April'"),
        ({"words": 3}, "words must be text"),
    ],
)
def test_what_cannot_be_stated(bag, changed, message):
    with pytest.raises(SourceError, match=message):
        state(bag, **changed)
    assert not statement_path(bag).exists()


def test_a_statement_is_not_replaced(bag):
    state(bag)
    with pytest.raises(SourceError, match="must be a new name"):
        state(bag)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda text: text.replace('"version": 1', '"version": 2'), "it is 'auditkit statement', version 2"),
        (lambda text: text.replace('"kind"', '"kinds"'), "its keys are kinds"),
        (lambda text: text.replace('"date"', '"words"'), "a key is given twice"),
        (lambda text: text.replace("tagmanifest-sha512", "bagit"), "its seal is of another file"),
        (lambda text: text.replace(DIGEST, DIGEST.upper()), "record_digest must be the SHA-256"),
        (lambda text: text[:-3], "it cannot be read"),
        (lambda text: "[" * 50_000, r"it cannot be read \("),
        (lambda text: "[]", "its keys are none"),
        (lambda text: text + " " * 100_000, "bytes"),
        (lambda text: json.dumps(json.loads(text) | {"seal": []}), r"seal\.sha256 must be lower-case hexadecimal"),
    ],
)
def test_a_statement_that_is_not_ours(bag, change, message):
    content = change(state(bag).read_text(encoding="utf-8")).encode()
    with pytest.raises(SourceError, match=message):
        read_statement(content)
