"""A process that finds no cached machine code and makes it, and two that write it at once.

Compiling takes some fifteen seconds, so all tests of a first run, and of what it leaves for
later ones, share this one.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

from command_logs import DEMO, ROOT

#: Runs every kernel that the weekly filter uses and prints what came out, to the last bit;
#: then whether numba was needed.
NUMBERS = """
import sys
import numpy as np
from maturity_model.hmm import native
from maturity_model.hmm.mixture import filter_mixture
from maturity_model.hmm.staged import StagedChain, move_probabilities
rng = np.random.default_rng(0)
chain = StagedChain(4, 3)
moves = move_probabilities(*rng.random((3, 9, 4, 6)))[:, :, None].copy()
result = filter_mixture(
    chain, np.full((12, 6), 1 / 12), moves, rng.random((10, 12, 2, 6)), np.full((1, 2), 0.5)
)
states, down = result.smooth()
print(result.states.sum().hex(), states[3].sum().hex(), down.sum().hex(), states[4, 5, 2].hex())
print("numba" in sys.modules)
"""
#: Ends a script: says on stderr its exit code and what it imported.
SAY = """
import json, sys
sys.stderr.write("\\n" + json.dumps({"code": code, "modules": sorted(sys.modules)}))
"""
WEEKLY = f"""
import sys
from maturity_model.cli import main
code = main(["weekly", sys.argv[1], "--out", sys.argv[2]])
{SAY}"""
#: Writes existing machine code again and again.
WRITE = """
import sys
from pathlib import Path
import llvmlite.binding as llvm
from maturity_model.hmm import native
key = native._key(llvm)
path = native.cache_folder() / f"kernels-{key[:16]}.bin"
objects = native._read(Path(sys.argv[1]), key)
for _ in range(20):
    native._write(path, key, objects)
"""


class FirstRuns(NamedTuple):
    """What they left: what :data:`NUMBERS` printed, and what :data:`WEEKLY` imported and wrote.

    ``cache`` was filled by the first run, ``shared`` by two processes at the same time.
    """

    cache: Path
    shared: Path
    numbers: str
    modules: set[str]
    report: Path


def start(cache: Path, script: str, *words: object, **env: str) -> subprocess.Popen[str]:
    """A fresh process that caches machine code in ``cache`` and nowhere else."""
    whole = {**os.environ, "MATURITY_MODEL_CACHE": str(cache), **env}
    whole["PYTHONPATH"] = os.pathsep.join([str(ROOT), whole.get("PYTHONPATH", "")])
    return subprocess.Popen(
        [sys.executable, "-c", script, *map(str, words)], env=whole, cwd=ROOT, text=True,
        encoding="utf-8", stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def numbers(process: subprocess.Popen[str]) -> tuple[str, bool]:
    """What :data:`NUMBERS` printed, and whether it needed numba."""
    out, err = process.communicate(timeout=300)
    assert process.returncode == 0, err
    assert err == ""
    found, numba = out.splitlines()
    return found, numba == "True"


def modules(process: subprocess.Popen[str]) -> set[str]:
    """What was imported, from a process that ends with :data:`SAY`."""
    _, err = process.communicate(timeout=300)
    assert process.returncode == 0, err
    found = json.loads(err.splitlines()[-1])
    assert found["code"] == 0
    return set(found["modules"])


def first_runs(folder: Path) -> FirstRuns:
    """Run the weekly command with an empty folder, then the others with what it left."""
    cache, shared, report = folder / "cache", folder / "shared", folder / "report"
    imported = modules(start(cache, WEEKLY, DEMO, report))
    found, needed = numbers(start(cache, NUMBERS))
    assert not needed
    (made,) = cache.glob("kernels-*")
    for process in [start(shared, WRITE, made) for _ in range(2)]:
        _, err = process.communicate(timeout=300)
        assert process.returncode == 0, err
    return FirstRuns(cache, shared, found, imported, report)
