"""How often skill and trees cry wolf where no condition does anything, but jobs and operators differ.

Not collected by pytest: `python tests/benchmarks/second_opinion_null.py`, some minutes on one core. Measured:

8 jobs, 30 audits of 4 defects: ridge model foretells 4 of 120; trees foretell 1 of 120; a condition with q within .05
in 7 audits, of trees that foretell in 0; interaction in 0 of 120.
20 jobs, 12 audits: 3 of 48; 1 of 48; 3 audits, 1 audit; 0 of 48.
"""

import numpy as np
import pandas as pd

from auditkit.findings.cause_skill import find_skill
from auditkit.findings.second_opinion import find_second_opinion
from auditkit.trade.conditions import load_conditions

MIDDLES = {  # mean and standard deviation of what is drawn, about the windows
    "standoff_mm": (185, 20),
    "pot_kpa": (42, 6),
    "humidity_pct": (70, 12),
    "surface_margin_c": (5, 2.5),
    "brush_wear_pct": (30, 18),
    "bell_used_d": (0.3, 0.6),
    "filter_used_d": (0.3, 0.6),
    "follow_through_s": (6.5, 1.5),
}
CONDITIONS = {name: condition for name, condition in load_conditions().items() if name in MIDDLES}
COMMON_LOG_ODDS = (-2.6, -2.2, -1.5, -2.6)


def draw(rng, *, jobs, n=400):
    """Return runs and defects that share nothing but jobs and operators, which work in some of the jobs."""
    job = rng.integers(0, jobs, n)
    operator = (job + rng.integers(0, 3, n)) % 6
    rng.normal(0, 0.7, jobs), rng.normal(0, 0.7, 6)  # drawn and not used; kept so that the figures above stand
    runs = pd.DataFrame(
        {
            "run_id": [f"R{i:04d}" for i in range(n)],
            "job_id": [f"J{j:02d}" for j in job],
            "operator_id": [f"OP{o}" for o in operator],
            "unit_id": [f"U{u}" for u in rng.integers(0, 4, n)],
        }
    )
    for name, (middle, spread) in MIDDLES.items():
        by_job, by_operator = rng.normal(0, 0.8, jobs), rng.normal(0, 0.8, 6)
        runs[name] = middle + spread * (by_job[job] + by_operator[operator] + rng.normal(0, 0.8, n)) / 1.4
    found = {}
    for number, common in enumerate(COMMON_LOG_ODDS):
        by_job, by_operator = rng.normal(0, 0.7, jobs), rng.normal(0, 0.7, 6)
        risk = 1 / (1 + np.exp(-(common + by_job[job] + by_operator[operator])))
        found[f"d{number}"] = pd.array(rng.random(n) < risk, "boolean")
    return runs, pd.DataFrame(found, index=pd.Index(runs["run_id"]))


def measure(*, jobs, audits, seed):
    """Return counts of false alarms over so many audits."""
    nothing = pd.DataFrame(columns=["defect", "condition", "side", "low", "high", "why"])
    counts = dict.fromkeys(
        ["asked", "ridge foretells", "trees foretell", "q in audits", "seen in audits", "together"], 0
    )
    for number in range(audits):
        rng = np.random.default_rng([seed, number])
        runs, found = draw(rng, jobs=jobs)
        outcomes = pd.DataFrame({name: runs["run_id"].map(found[name]).astype("boolean") for name in found})
        others = dict.fromkeys(CONDITIONS, ("operator_id", "unit_id"))
        skill = find_skill(runs, outcomes, CONDITIONS, others, cluster="job_id", confidence=0.95)
        opinion = find_second_opinion(nothing, runs, found, conditions=CONDITIONS, rng=rng)
        counts["asked"] += int(skill["score"].notna().sum())
        counts["ridge foretells"] += int(skill["predicts"].sum())
        counts["trees foretell"] += int(opinion.skill["speaks"].sum())
        counts["q in audits"] += bool((opinion.importance["q"] <= 0.05).any())
        counts["seen in audits"] += bool(opinion.importance["seen"].any())
        counts["together"] += int(opinion.interactions["present"].sum())
    return counts


if __name__ == "__main__":
    print("8 jobs", measure(jobs=8, audits=30, seed=1))
    print("20 jobs", measure(jobs=20, audits=12, seed=2))
