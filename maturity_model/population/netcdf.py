"""Classic NetCDF in NumPy alone, for files that come from elsewhere.

Of the classic format (CDF-1, "NetCDF Classic Format Specification", Unidata) this reads and
writes what a population needs: text, whole numbers and floats, all of fixed size. Nothing in
such a file is compressed, so it never takes more memory than its own length, and no library
in C takes it apart, so the worst that damage can do is an exception.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

Attribute: TypeAlias = str | int | float
MAGIC = b"CDF\x01"
_DIMENSION, _VARIABLE, _ATTRIBUTE = 10, 11, 12
_CHAR, _INT, _DOUBLE = 2, 4, 6
_TYPES = {_CHAR: np.dtype("S1"), _INT: np.dtype(">i4"), _DOUBLE: np.dtype(">f8")}
_MOST = 2**31 - 1


class FormatError(ValueError):
    """A file is no classic NetCDF, or holds what this module does not read."""


class Variable(NamedTuple):
    """A variable to be written: floats, whole numbers, or UTF-8 text (dtype ``S``)."""

    dims: tuple[str, ...]
    values: NDArray[Any]
    attributes: Mapping[str, str] = {}


class Content(NamedTuple):
    """Attributes and variables of a file; text is an array of dtype ``S``."""

    attributes: dict[str, Attribute]
    variables: dict[str, NDArray[Any]]


def texts(values: NDArray[Any]) -> tuple[str, ...]:
    """Text of an array of dtype ``S``; raises FormatError for another."""
    if values.dtype.kind != "S":
        raise FormatError("numbers stand where text should")
    return tuple(value.decode() for value in values.ravel().tolist())


# Writing --------------------------------------------------------------------------------


def pack(attributes: Mapping[str, Attribute], variables: Mapping[str, Variable]) -> bytes:
    """Make the content of a file.

    Raises
    ------
    ValueError
        When two variables give one dimension two lengths, or an axis has length 0, which
        the format takes for an unlimited one.
    """
    arrays = {name: _storable(v) for name, v in variables.items()}
    lengths: dict[str, int] = {}
    for name, (dims, values) in arrays.items():
        for dim, length in zip(dims, values.shape, strict=True):
            if not length or lengths.setdefault(dim, length) != length:
                raise ValueError(f"{name} cannot have the length {length} along {dim}")
    order = {dim: i for i, dim in enumerate(lengths)}
    head = MAGIC + _number(0)
    head += _list(_DIMENSION, [_name(dim) + _number(n) for dim, n in lengths.items()])
    head += _attributes(attributes)
    entries, bodies = [], []
    for name, (dims, values) in arrays.items():
        entry = _name(name) + _number(len(dims)) + b"".join(_number(order[d]) for d in dims)
        entry += _attributes(variables[name].attributes) + _number(_type_of(values))
        bodies.append(_pad(values.tobytes()))
        entries.append(entry + _number(len(bodies[-1])))
    # Each entry of the list still lacks the four bytes of its variable's place.
    at = len(head) + len(_list(_VARIABLE, entries)) + 4 * len(entries)
    for i, body in enumerate(bodies):
        entries[i] += _number(at)
        at += len(body)
    return b"".join([head, _list(_VARIABLE, entries), *bodies])


def _storable(variable: Variable) -> tuple[tuple[str, ...], NDArray[Any]]:
    dims, values = variable.dims, np.asarray(variable.values)
    if values.dtype.kind == "S":
        # The characters of a text are one more axis.
        width = values.dtype.itemsize
        values = np.frombuffer(values.tobytes(), "S1").reshape(*values.shape, width)
        return (*dims, f"string{width}"), values
    kind = _INT if values.dtype.kind in "iu" else _DOUBLE
    return dims, values.astype(_TYPES[kind])


def _type_of(values: NDArray[Any]) -> int:
    return next(code for code, dtype in _TYPES.items() if dtype == values.dtype)


def _number(value: int) -> bytes:
    return value.to_bytes(4, "big", signed=True)


def _pad(raw: bytes) -> bytes:
    return raw + bytes(-len(raw) % 4)


def _name(text: str) -> bytes:
    raw = text.encode()
    return _number(len(raw)) + _pad(raw)


def _list(tag: int, entries: list[bytes]) -> bytes:
    return _number(tag if entries else 0) + _number(len(entries)) + b"".join(entries)


def _attributes(attributes: Mapping[str, Attribute]) -> bytes:
    entries = []
    for name, value in attributes.items():
        if isinstance(value, str):
            entry = _number(_CHAR) + _name(value)
        else:
            kind = _INT if isinstance(value, int) else _DOUBLE
            entry = _number(kind) + _number(1) + np.array(value, _TYPES[kind]).tobytes()
        entries.append(_name(name) + entry)
    return _list(_ATTRIBUTE, entries)


# Reading --------------------------------------------------------------------------------


def unpack(content: bytes) -> Content:
    """Read a file; the header is checked against the file's length before any array is made.

    Raises FormatError where it is damaged, or holds other types or an unlimited dimension.
    """
    head = _Header(content)
    if head.take(len(MAGIC)) != MAGIC:
        raise FormatError("it is no classic NetCDF file")
    head.number()  # of records: there are none
    lengths = [(head.text(), head.number())[1] for _ in range(head.entries(_DIMENSION))]
    if 0 in lengths:
        raise FormatError("it has an unlimited dimension")
    attributes = head.attributes()
    places: dict[str, tuple[int, list[int], int]] = {}
    for _ in range(head.entries(_VARIABLE)):
        name = head.text()
        axes = [head.number() for _ in range(head.number())]
        head.attributes()
        kind, _, start = head.number(), head.number(), head.number()
        if name in places or kind not in _TYPES or any(axis >= len(lengths) for axis in axes):
            raise FormatError(f"its variable {name[:40]!r} makes no sense")
        places[name] = kind, [lengths[axis] for axis in axes], start
    budget = len(content) - head.at
    for name, (kind, shape, start) in places.items():
        size = math.prod(shape) * _TYPES[kind].itemsize
        budget -= size
        if budget < 0 or start < head.at or start + size > len(content):
            raise FormatError(f"its variable {name[:40]!r} is larger than the file")
    return Content(attributes, {n: _array(content, *place) for n, place in places.items()})


def _array(content: bytes, kind: int, shape: list[int], start: int) -> NDArray[Any]:
    dtype = _TYPES[kind]
    if kind == _CHAR:
        if not shape:
            raise FormatError("a single character stands where text should")
        *shape, width = shape
        dtype = np.dtype(f"S{width}")
    values = np.frombuffer(content, dtype, math.prod(shape), start).reshape(shape)
    return values.astype(dtype.newbyteorder("="))


class _Header:
    """Reads a header piece by piece; ``at`` is the place of the next byte."""

    def __init__(self, content: bytes):
        self.content, self.at = content, 0

    def take(self, size: int) -> bytes:
        raw = self.content[self.at : self.at + size]
        if len(raw) < size:
            raise FormatError("it ends too early")
        self.at += size
        return raw

    def number(self) -> int:
        value = int.from_bytes(self.take(4), "big")
        if value > _MOST:
            raise FormatError("its header holds a negative number")
        return value

    def entries(self, tag: int) -> int:
        found, count = self.number(), self.number()
        if found != tag and (found, count) != (0, 0):
            raise FormatError("its header makes no sense")
        return count

    def text(self) -> str:
        size = self.number()
        raw = self.take(size)
        self.take(-size % 4)
        return raw.decode()

    def attributes(self) -> dict[str, Attribute]:
        out: dict[str, Attribute] = {}
        for _ in range(self.entries(_ATTRIBUTE)):
            name, kind = self.text(), self.number()
            if kind == _CHAR:
                out[name] = self.text()
            elif kind in _TYPES and self.number() == 1:
                raw = self.take(_TYPES[kind].itemsize)
                out[name] = np.frombuffer(raw, _TYPES[kind])[0].item()
            else:
                raise FormatError(f"its attribute {name[:40]!r} is neither text nor a number")
        return out
