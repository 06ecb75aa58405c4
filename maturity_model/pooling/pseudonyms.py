"""Pseudonyms: keyed hashes of names, stable under one key and meaningless without it.

A plain hash of a name can be undone by hashing all likely names; HMAC-SHA256 (RFC 2104,
FIPS 198-1) cannot without the key.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import re
import secrets
import stat
from pathlib import Path

from maturity_model.pooling.problems import PoolError
from maturity_model.whole_files import create_file

#: First word of a key file, and bytes of the key.
_HEAD, _BYTES = "maturity-model-pool-key", 32
_MAX_FILE = 1_000
#: Hexadecimal digits of a pseudonym: 96 bits, so that no two tanks share one by chance.
DIGITS = 24
#: First letter of a pseudonym, by what it stands for.
LETTERS = {"tank": "t", "keeper": "k", "club": "c"}


def pseudonym(key: bytes, kind: str, *names: str) -> str:
    """Return a pseudonym, a letter and 24 digits; the names together are unique to their kind."""
    # JSON keeps the names apart: ("a", "bc") and ("ab", "c") differ.
    message = json.dumps([kind, *names]).encode()
    digest = hmac.new(key, message, hashlib.sha256).hexdigest()
    return f"{LETTERS[kind]}-{digest[:DIGITS]}"


def load_key(path: Path) -> tuple[bytes, bool]:
    """Read a key file, or make one that only its owner can read; also whether it was made."""
    try:
        text = f"{_HEAD} {secrets.token_hex(_BYTES)}\n"
        made = create_file(path, text, private=True, durable=True)
        with path.open("rb") as handle:
            open_to_others = os.name == "posix" and os.fstat(handle.fileno()).st_mode & (
                stat.S_IRWXG | stat.S_IRWXO
            )
            text = handle.read(_MAX_FILE).decode("ascii", "replace")
    except OSError as error:
        raise PoolError(
            f"the key file {path} cannot be read or made: {error.strerror or error}"
        ) from None
    key = re.fullmatch(rf"\s*{_HEAD}\s+([0-9a-fA-F]{{{2 * _BYTES}}})\s*", text)
    if key is None:
        raise PoolError(f"{path} is not a key file; name another, or one that is not there yet")
    if open_to_others:
        raise PoolError(f"others can read the key file {path}; chmod 600 it first")
    return bytes.fromhex(key[1]), made
