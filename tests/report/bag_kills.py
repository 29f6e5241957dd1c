"""Write sealed folders in processes that are killed, and say what was found under their names; run by `test_bag`."""

import json
import os
import random
import shutil
import signal
import sys
import time
from pathlib import Path

from auditkit.report.bag import write_bag
from auditkit.report.bag_check import check_bag

CONTENTS = {f"records/{number}.csv": f"{number},a\n".encode() * 50 for number in range(5)} | {"findings.json": b"{}"}
INFO = {"Bagging-Date": "2027-04-01"}
WATCHED = ("open", "os.", "tempfile.", "shutil.")
RANDOM_KILLS = 200


def child(out, *, stop_at=None):
    """Write a folder in a process of its own; it kills itself before the given event, if one is given."""
    process = os.fork()
    if process:
        return process
    if stop_at is not None:
        met = 0

        def watch(event, _):
            nonlocal met
            if event.startswith(WATCHED):
                met += 1
                if met == stop_at:
                    os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(watch)
    os.fsync = lambda handle: None  # the kernel outlives the process; waiting for the disk only slows the test
    try:
        write_bag(CONTENTS, out, info=INFO)
    finally:
        os._exit(0)


def outcome(place, faults, label):
    """Say what lies under the name, and note anything that is neither nothing nor whole."""
    out = place / "bag"
    others = [path for path in place.iterdir() if path != out]
    for other in others:
        if not other.name.startswith(".writing-"):
            faults.append(f"{label}: left {other.name}")
        elif check_bag(other).ok:
            faults.append(f"{label}: an unfinished folder verifies")
    if not out.exists():
        return "absent"
    if not check_bag(out).ok:
        faults.append(f"{label}: half-written")
    return "whole"


def main(top):
    faults, outcomes, killed_at_points = [], [], 0
    place = top / "try"
    points = 0
    while True:
        points += 1
        place.mkdir()
        _, status = os.waitpid(child(place / "bag", stop_at=points), 0)
        outcome(place, faults, f"event {points}")
        shutil.rmtree(place)
        if not os.WIFSIGNALED(status):
            break
        killed_at_points += 1
    began = time.perf_counter()
    place.mkdir()
    os.waitpid(child(place / "bag"), 0)
    usual = time.perf_counter() - began
    shutil.rmtree(place)
    rng = random.Random(20270401)
    for number in range(RANDOM_KILLS):
        place.mkdir()
        process = child(place / "bag")
        time.sleep(rng.uniform(0, 1.3 * usual))
        os.kill(process, signal.SIGKILL)
        os.waitpid(process, 0)
        outcomes.append(outcome(place, faults, f"moment {number}"))
        shutil.rmtree(place)
    told = {
        "faults": faults,
        "points": points,
        "killed_at_points": killed_at_points,
        "random": len(outcomes),
        "absent": outcomes.count("absent"),
        "whole": outcomes.count("whole"),
    }
    print(json.dumps(told))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
