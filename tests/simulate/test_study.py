"""The studies of the measuring: their designs, and that the written spreads are in them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.simulate import DEFAULT_TRUTH, Simulated
from auditkit.simulate.study import study_readings


def test_the_crossed_study_has_everyone_at_every_place(shipped: Simulated) -> None:
    own = shipped.tables["study_readings"].query("design == 'crossed'")
    assert own.groupby(["place_id", "inspector_id"]).size().tolist() == [3] * 30
    assert own["gauge_id"].unique().tolist() == ["G1"]


def test_the_nested_study_has_everyone_at_places_of_their_own(shipped: Simulated) -> None:
    own = shipped.tables["study_readings"].query("design == 'nested'")
    assert own.groupby("place_id")["inspector_id"].nunique().tolist() == [1] * 15
    assert own.groupby(["inspector_id", "place_id"]).size().tolist() == [2] * 15
    assert set(own["gauge_id"]) == {"G2"}


def test_readings_lie_about_the_written_film_and_person(shipped: Simulated) -> None:
    readings = shipped.tables["study_readings"]
    for study, about in shipped.truth["studies"].items():
        own = readings[readings["study_id"] == study]
        expected = own["place_id"].map(about["film_um"]) + own["inspector_id"].map(about["inspector_adds_um"])
        away = own["reading_um"] - expected
        assert away.mean() == pytest.approx(0, abs=0.8)
        assert away.std() == pytest.approx(1.8, abs=0.5)


def test_the_written_spreads_are_what_is_drawn() -> None:
    """Spread of repeats, and of people, over 300 crossed studies; rounding to 0.1 um adds nothing to see."""
    sd = dict(DEFAULT_TRUTH.study_sd_um)
    rng = np.random.default_rng(5)
    repeats, people = [], []
    for _ in range(300):
        study = study_readings(DEFAULT_TRUTH, rng)
        own = study.readings[study.readings["design"] == "crossed"]
        repeats.append(own.groupby(["place_id", "inspector_id"])["reading_um"].var().mean())
        people += list(study.drawn["S1"]["inspector_adds_um"].values())
    assert np.sqrt(np.mean(repeats)) == pytest.approx(sd["repeat"], rel=0.03)
    assert pd.Series(people).std() == pytest.approx(sd["inspector"], rel=0.10)


def test_both_studies_come_before_the_drift(shipped: Simulated) -> None:
    last = shipped.tables["study_readings"]["measured_at"].max()
    assert last.date() < DEFAULT_TRUTH.drift_from
