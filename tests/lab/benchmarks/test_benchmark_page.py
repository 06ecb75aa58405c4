"""The page of benchmarks: one part measured again leaves the others as they were."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[3]
# In a process of its own: the module sets threads for all that is imported after it.
SCRIPT = """
from maturity_model.lab.benchmarks.__main__ import PARTS, page
title = {name: title for name, (title, _) in PARTS.items()}
old = {n: f"## {title[n]}\\n\\nold {n}\\n### of its own\\n" for n in ("reading", "engine")}
old = page(old, "")
assert old.index("old engine") < old.index("old reading")
new = page({"reading": f"## {title['reading']}\\n\\nnew\\n"}, old)
assert "old engine\\n### of its own" in new and "new" in new and "old reading" not in new
assert new.count("## " + title["reading"]) == 1
assert page({}, new) == new
more = page({"weekly": f"## {title['weekly']}\\n\\nmore\\n"}, new)
assert new.replace("## " + title["reading"], "") != more and "more" in more
assert more.index("old engine") < more.index("more") < more.index("new")
print("done")
"""


def test_parts_replace_themselves_and_keep_their_order() -> None:
    found = subprocess.run(
        [sys.executable, "-c", SCRIPT], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert found.stdout == "done\n", found.stderr
