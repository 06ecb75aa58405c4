"""When two names are the same: one definition for tanks, keepers, kits, clubs, words and files.

The *folded* spelling of a name drops what no one means by it: case, kind and number of blanks,
full width, characters that show nothing. Its *skeletons* (Unicode Technical Standard #39)
also replace each letter by the one that it looks like. Names that fold alike are read as one
name, and that is reported. Names that only look alike never are: a Cyrillic letter in a Latin
word is a slip, but the reader cannot know which name was meant.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from difflib import SequenceMatcher
from functools import cache, lru_cache
from itertools import groupby
from pathlib import Path

#: Default_Ignorable_Code_Point (Unicode 15.0): first and last of each range.
_IGNORABLE = (
    (0xAD, 0xAD), (0x34F, 0x34F), (0x61C, 0x61C), (0x115F, 0x1160), (0x17B4, 0x17B5),
    (0x180B, 0x180F), (0x200B, 0x200F), (0x202A, 0x202E), (0x2060, 0x206F), (0x3164, 0x3164),
    (0xFE00, 0xFE0F), (0xFEFF, 0xFEFF), (0xFFA0, 0xFFA0), (0xFFF0, 0xFFF8),
    (0x1BCA0, 0x1BCA3), (0x1D173, 0x1D17A), (0xE0000, 0xE0FFF),
)  # fmt: skip
_TABLE = Path(__file__).with_name("confusables.txt")
#: Differences between two names that a message lists.
_MAX_LISTED = 3


def _is_ignorable(letter: str) -> bool:
    return any(first <= ord(letter) <= last for first, last in _IGNORABLE)


@lru_cache(2000)
def fold(name: str) -> str:
    r"""Return the spelling by which names are the same: NFKC, case folded, single blanks.

    Examples
    --------
    >>> fold(" Tank\u00a01 ") == fold("TANK \u200b1")
    True
    """
    if name.isascii():
        return " ".join(name.casefold().split())
    text = unicodedata.normalize("NFKC", name).casefold()
    text = unicodedata.normalize("NFKC", text)
    return " ".join("".join(c for c in text if not _is_ignorable(c)).split())


@cache
def _prototypes() -> dict[int, str]:
    """Return the table of UTS #39: by code point, the letters it looks like."""
    out = {}
    for line in _TABLE.read_text("ascii").splitlines():
        if not line.startswith("#"):
            letter, prototype = line.split(";")
            out[int(letter, 16)] = "".join(chr(int(c, 16)) for c in prototype.split())
    return out


def _shape(name: str) -> str:
    text = unicodedata.normalize("NFD", unicodedata.normalize("NFKC", name))
    return fold(text.translate(_prototypes()))


def skeletons(name: str) -> frozenset[str]:
    r"""Return the skeletons of a name; names that share one look alike.

    It has one as written, one in small letters and one in capitals: the Cyrillic letter
    U+0412 looks like B, but its small form does not look like b.

    Examples
    --------
    >>> bool(skeletons("Reef") & skeletons("R\u0435ef"))
    True
    """
    return frozenset(map(_shape, (name, fold(name), name.upper())))


def look_alike(one: str, other: str) -> bool:
    """Whether two names look the same, or differ only in case or blanks."""
    return not skeletons(one).isdisjoint(skeletons(other))


def _shown(letters: str) -> str:
    """Letters as a message shows them: by code point, unless they are plain ASCII."""
    parts = []
    for plain, run in groupby(letters, lambda c: "!" <= c <= "~"):
        if plain:
            parts.append(f"'{''.join(run)}'")
        else:
            parts += ["a space" if c == " " else f"U+{ord(c):04X}" for c in run]
    return " and ".join(parts) or "nothing"


def difference(text: str, name: str, where: str) -> str:
    r"""Say how a text is spelled otherwise than a name that stands in ``where``.

    Examples
    --------
    >>> difference("Tank\u00a01", "Tank 1", "tanks.csv")
    "has U+00A0 where 'Tank 1' in tanks.csv has a space"
    """
    place = f"{name!r} in {where}" if name.isprintable() else f"the name in {where}"
    parts = []
    matcher = SequenceMatcher(None, text, name, autojunk=False)
    changes = [op for op in matcher.get_opcodes() if op[0] != "equal"]
    for _, a, b, c, d in changes[:_MAX_LISTED]:
        parts.append(f"{_shown(text[a:b])} where {place} has {_shown(name[c:d])}")
        place = "it"
    more = ", and more" if len(changes) > _MAX_LISTED else ""
    return "has " + ", ".join(parts) + more


class Names:
    """Names as they were first written, found again in other spellings.

    Parameters
    ----------
    names : iterable of str
    where : str
        The file in which they stand, for messages.
    """

    def __init__(self, names: Iterable[str] = (), where: str = ""):
        self._where: dict[str, str] = {}
        self._folded: dict[str, str] = {}
        #: By skeleton; ``_unshaped`` names are not in it yet.
        self._shapes: dict[str, str] = {}
        self._unshaped: list[str] = []
        for name in names:
            self.add(name, where)

    def add(self, name: str, where: str) -> None:
        """Add a name; an earlier one that is the same stays the one that is found."""
        if name not in self._where:
            self._where[name] = where
            self._folded.setdefault(fold(name), name)
            self._unshaped.append(name)

    def __contains__(self, text: str) -> bool:
        return text in self._where

    def same(self, text: str) -> str | None:
        """Return the name that is the same as a text but for case, blanks and the invisible."""
        return self._folded.get(fold(text))

    def alike(self, text: str) -> str | None:
        """Return a name that looks like a text, whether it is the same or not."""
        for name in self._unshaped:
            for skeleton in skeletons(name):
                self._shapes.setdefault(skeleton, name)
        self._unshaped.clear()
        return next((self._shapes[s] for s in skeletons(text) if s in self._shapes), None)

    def difference(self, text: str, name: str) -> str:
        r"""Say how a text is spelled otherwise than one of the names."""
        return difference(text, name, self._where[name])
