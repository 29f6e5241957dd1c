"""Pseudonyms: the same for the same name and key."""

import base64
import hmac
import stat

import pytest

from auditkit.errors import SourceError
from auditkit.report.pseudonyms import in_words, key_check, new_key, pseudonyms, read_key

KEY = bytes(range(32))


def test_a_key_is_new_private_and_read_back(tmp_path):
    one, other = new_key(tmp_path / "one"), new_key(tmp_path / "other")
    assert read_key(one) != read_key(other)
    assert len(read_key(one)) == 32
    assert stat.S_IMODE(one.stat().st_mode) == 0o600
    with pytest.raises(SourceError, match="must be a new file for the key; the system says: File exists"):
        new_key(one)


@pytest.mark.parametrize("content", [b"", b"0" * 63, b"G" * 64, b"0" * 64 + b"\n\n", b"\xff" * 64])
def test_what_is_no_key(tmp_path, content):
    (tmp_path / "key").write_bytes(content)
    with pytest.raises(SourceError, match="must be the key of the dossier"):
        read_key(tmp_path / "key")


def test_the_letters_are_the_standard_digest_of_the_name():
    made = pseudonyms(["Aas"], kind="person", key=KEY)["Aas"]
    digest = hmac.digest(KEY, b"auditkit\0person\0Aas", "sha256")
    assert made == f"P1-{base64.b32encode(digest)[:8].decode()}"
    assert pseudonyms(["Aas"], kind="site", key=KEY)["Aas"].startswith("S1-")
    assert pseudonyms(["Aas"], kind="site", key=KEY)["Aas"][3:] != made[3:]
    assert key_check(KEY) not in made


def test_the_letters_stay_whoever_else_is_named():
    few, many = (pseudonyms(names, kind="person", key=KEY) for names in (["B", "D"], ["A", "B", "C", "D"]))
    assert {name: made.split("-")[1] for name, made in few.items()} == {name: many[name].split("-")[1] for name in few}
    other = pseudonyms(["B", "D"], kind="person", key=bytes(32))
    assert not {made.split("-")[1] for made in few.values()} & {made.split("-")[1] for made in other.values()}


def test_kept_order_is_that_of_the_names_and_hidden_order_that_of_the_key():
    names = [f"OP{number}" for number in range(120)]
    made = pseudonyms(reversed(names), kind="person", key=KEY)
    assert sorted(names, key=made.__getitem__) == sorted(names)
    assert len(set(made.values())) == 120
    hidden = pseudonyms(names, kind="person", key=KEY, order="hidden")
    by_letters = sorted(names, key=lambda name: hidden[name].split("-")[1])
    assert sorted(names, key=hidden.__getitem__) == by_letters != sorted(names)


def test_names_in_free_text():
    exchange = in_words([("IN1", "P1"), ("Ola Aas", "P2"), ("Aas", "P3"), ("3", "P4"), ("X", "P5"), ("A.B", "P6")])
    assert exchange("IN1, in1_x, IN10, xIN1") == "P1, P1_x, IN10, xIN1"
    assert exchange("OLA AAS saw Aas; 3 X; aXb; A.B") == "P2 saw P3; 3 X; aXb; P6"
    assert exchange.found("Aas, aas and IN1") == ["P3", "P3", "P1"]
    assert in_words([])("Aas") == "Aas"
    assert in_words([]).found("Aas") == []


def test_a_word_that_stands_for_two_is_withheld():
    exchange = in_words([("boss", "P1"), ("Boss", "P2"), ("Lund", "P3"), ("lund", "P3")])
    assert exchange("the boss, Lund") == "the withheld, P3"
