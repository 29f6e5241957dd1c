"""What could not be judged: nothing that was set aside may make the rest look better in silence."""

import auditkit

CLEAN = auditkit.sample_folder() / "clean"


def copied(tmp_path, **changes):
    for path in CLEAN.iterdir():
        text = path.read_text(encoding="utf-8")
        (tmp_path / path.name).write_text(changes.get(path.stem, lambda text: text)(text), encoding="utf-8")
    return auditkit.audit(auditkit.read_dossier(tmp_path), causes=False)


def why(findings, topic, what):
    rows = findings.set_aside
    return " ".join(rows[(rows["topic"] == topic) & (rows["what"] == what)]["why"])


def test_a_run_set_aside_is_said_for_its_area_and_its_safety(tmp_path):
    def spoil(text):
        lines = text.splitlines()
        first = lines[1].split(",")
        lines[1] = ",".join(
            [*first[:14], "no contact", *first[15:]]
        )  # part_ground_ohm: no number and no word of a meter
        return "\n".join(lines) + "\n"

    findings = copied(tmp_path, spray_runs=spoil)
    area = (CLEAN / "spray_runs.csv").read_text(encoding="utf-8").splitlines()[1].split(",")[1]
    assert area in why(findings, "film", "areas")
    assert "set aside; their safety was not looked at" in why(findings, "safety", "rows of spray runs")
    assert findings.breaches


def test_readings_set_aside_are_said_for_their_area(tmp_path):
    findings = copied(tmp_path, film_readings=lambda text: text + "A002,,facing,99,1,-1,G1,2027-03-12T09:00:00+01:00\n")
    assert "A002" in why(findings, "film", "areas")


def test_a_repeated_row_takes_nothing_away(tmp_path):
    findings = copied(tmp_path, spray_runs=lambda text: text + text.splitlines()[1] + "\n")
    assert findings.dossier.files["set_aside"].sum() == 1
    assert "safety was not looked at" not in " ".join(findings.set_aside["why"])


def test_only_old_readings_are_called_old(tmp_path):
    def later(text):
        header, first, *rest = text.splitlines()
        cells = first.split(",")
        cells = ["R9999", "A002", *cells[2:4], "2027-04-01T08:00:00+02:00", "2027-04-01T08:20:00+02:00", *cells[6:]]
        return "\n".join([header, first, *rest, ",".join(cells)]) + "\n"

    findings = copied(tmp_path, spray_runs=later)
    side = findings.film.areas[findings.film.areas["area_id"] == "A002"].iloc[0]
    assert side["verdict"] == "not assessable"
    assert side["reason"] == "15 readings, all made before the area's last run ended"
