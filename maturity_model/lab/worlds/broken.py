"""Assumptions of the model, and how a world breaks each of them."""

from __future__ import annotations

from collections.abc import Sequence

#: What breaks. Names may be combined; ``missing_sign`` takes a sign: ``missing_sign=diatoms``.
BROKEN: dict[str, str] = {
    "persistence": "signs, and the answers about them, persist twice as strongly",
    "observers": "observers are much worse than assumed",
    "kit_bias": "every nutrient kit reads one chart step too high",
    "skipping": "weeks in which all is well are mostly skipped",
    "missing_sign": "a sign does not exist in this region (spirorbid_worms unless named)",
    "phase_skipped": "tanks pass over the bloom",
}
#: A sign that is often missing: no spiral worms came with the rock.
MISSING_SIGN = "spirorbid_worms"


def parse(broken: Sequence[str], signs: Sequence[str]) -> dict[str, str]:
    """Check the names of broken assumptions; by name the missing sign, or ''.

    Raises
    ------
    ValueError
        An unknown or repeated name, a sign that is none, or one where none belongs.
    """
    out: dict[str, str] = {}
    for text in broken:
        name, given, sign = text.partition("=")
        if name not in BROKEN:
            raise ValueError(f"{name!r} is not an assumption; one of {', '.join(BROKEN)}")
        if name in out:
            raise ValueError(f"{name!r} is named twice")
        if given and name != "missing_sign":
            raise ValueError(f"{name!r} takes no value")
        if name == "missing_sign":
            sign = sign or MISSING_SIGN
            if sign not in signs:
                raise ValueError(f"{sign!r} cannot be missing; one of {', '.join(signs)}")
        out[name] = sign
    return out
