"""Object code laid out as one block of memory, so that running it needs no compiler's library.

Loading LLVM to link kernels that are compiled already costs a cold start as much as reading
a club's log. So they are laid out once: sections one after another, with a list of the places
to which the block's own address, or that of a function outside, is to be added. That is all
there is to do for the code that numba makes on x86-64 Linux (ELF, large code model), where
every address is a whole 64-bit number; whatever asks for more is :class:`Unusable`, and LLVM
links it as before.
"""

from __future__ import annotations

import ctypes
import json
import mmap
import platform
import struct
import sys
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

_PAGE = 4096
# What follows is from the ELF-64 specification and the System V ABI for x86-64.
_SECTION = struct.Struct("<IIQQQQIIQQ")
_SYMBOL = struct.Struct("<IBBHQQ")
_RELOCATION = struct.Struct("<QQq")
_PROGBITS, _SYMTAB, _RELA, _NOBITS = 1, 2, 4, 8
_WRITE, _ALLOC = 1, 2
_UNDEFINED, _ABSOLUTE, _COMMON = 0, 0xFFF1, 0xFFF2
_WORD, _FROM_HERE = 1, 24  # R_X86_64_64, R_X86_64_PC64
#: Never reached from a kernel: entries for Python calls and reference counting.
_RUN_TIME = ("numba_", "NRT_", "Py", "_Py")
_BLOCKS: list[mmap.mmap] = []  # They hold the machine code.


class Unusable(Exception):
    """The code cannot be laid out or run this way."""


class _Section(NamedTuple):
    name: int
    kind: int
    flags: int
    address: int
    offset: int
    size: int
    link: int
    info: int
    align: int
    entry: int


class _Block:
    """The block while it is laid out: code and constants, and behind them what is written to."""

    def __init__(self) -> None:
        self.bytes = bytearray()
        self.own: list[int] = []
        self.outside: list[tuple[int, int]] = []
        self.names: dict[str, int] = {}

    def reserve(self, size: int, align: int) -> int:
        self.bytes += bytes(-len(self.bytes) % max(align, 1))
        at = len(self.bytes)
        self.bytes += bytes(size)
        return at


def processor() -> str:
    """What the first processor is and can do, as the system tells; the code is made for it.

    Raises
    ------
    Unusable
        Where there is no such system.
    """
    if sys.platform != "linux" or platform.machine() != "x86_64" or sys.maxsize < 2**32:
        raise Unusable("not x86-64 Linux")
    with open("/proc/cpuinfo", encoding="ascii", errors="replace") as file:
        lines = dict.fromkeys(("vendor_id", "cpu family", "model", "stepping", "flags"), "")
        for line in file:
            name, _, value = line.partition(":")
            if name.strip() in lines:
                lines[name.strip()] = value.strip()
            if not line.strip():
                break
    if not all(lines.values()):
        raise Unusable("the processor is not described")
    return repr(lines)


def lay_out(objects: dict[str, tuple[str, bytes]]) -> bytes:
    """Lay object files out as one block.

    Parameters
    ----------
    objects : dict of str to (str, bytes)
        By kernel: its symbol, and an ELF object file that defines it.

    Returns
    -------
    bytes
        For :func:`start`.

    Raises
    ------
    Unusable
        When an object asks for what is not known here.
    """
    block = _Block()
    try:
        loaded = {name: _Object(code) for name, (_, code) in objects.items()}
        for one in loaded.values():
            one.place(block, writable=False)
        block.reserve(0, _PAGE)
        code_size = len(block.bytes)
        for one in loaded.values():
            one.place(block, writable=True)
        for one in loaded.values():
            one.relocate(block)
        entries = {name: loaded[name].entry(symbol) for name, (symbol, _) in objects.items()}
    except (struct.error, IndexError, UnicodeDecodeError) as error:
        raise Unusable(f"an object file is damaged: {error}") from None
    head = json.dumps(
        {
            "entries": entries,
            "names": list(block.names),
            "own": len(block.own),
            "outside": len(block.outside),
            "code": code_size,
        }
    ).encode()
    tables = np.array(block.own, "<u8").tobytes() + np.array(block.outside, "<u8").tobytes()
    return head + b"\n" + tables + block.bytes


class _Object:
    """One object file."""

    def __init__(self, code: bytes):
        self.code = code
        if code[:6] != b"\x7fELF\x02\x01" or struct.unpack_from("<HH", code, 16) != (1, 62):
            raise Unusable("not an x86-64 ELF object")
        start, size, count = (
            *struct.unpack_from("<Q", code, 40),
            *struct.unpack_from("<HH", code, 58),
        )
        self.sections = [
            _Section(*_SECTION.unpack_from(code, start + i * size)) for i in range(count)
        ]
        (table,) = (s for s in self.sections if s.kind == _SYMTAB)
        self.strings = self.sections[table.link].offset
        self.symbols = [
            _SYMBOL.unpack_from(code, at)
            for at in range(table.offset, table.offset + table.size, _SYMBOL.size)
        ]
        self.places: dict[int, int] = {}
        self.common: dict[int, int] = {}

    def name(self, at: int) -> str:
        begin = self.strings + at
        return self.code[begin : self.code.index(b"\0", begin)].decode("ascii")

    def place(self, block: _Block, writable: bool) -> None:
        """Give sections (unwinding and notes left out) and common symbols their places."""
        for i, s in enumerate(self.sections):
            if s.kind not in (_PROGBITS, _NOBITS) or not s.flags & _ALLOC:
                continue
            if bool(s.flags & _WRITE) != writable:
                continue
            at = self.places[i] = block.reserve(s.size, s.align)
            if s.kind == _PROGBITS:
                block.bytes[at : at + s.size] = self.code[s.offset : s.offset + s.size]
        if writable:
            for i, (_, _, _, section, align, size) in enumerate(self.symbols):
                if section == _COMMON:
                    self.common[i] = block.reserve(size, align)

    def address(self, i: int) -> int | None:
        """Where a symbol lies in the block; None for one outside."""
        _, _, _, section, value, _ = self.symbols[i]
        if section == _UNDEFINED:
            return None
        if section == _COMMON:
            return self.common[i]
        if section == _ABSOLUTE or section not in self.places:
            raise Unusable("a symbol of an unknown kind")
        return self.places[section] + int(value)

    def relocate(self, block: _Block) -> None:
        """Fill in addresses, and note where those of the run to come are to be added."""
        for at, kind, symbol, addend in self._relocations():
            target = self.address(symbol)
            if kind == _WORD and target is not None:
                struct.pack_into("<Q", block.bytes, at, target + addend)
                block.own.append(at)
            elif kind == _WORD:
                name = self.name(self.symbols[symbol][0])
                struct.pack_into("<q", block.bytes, at, addend)
                block.outside.append((at, block.names.setdefault(name, len(block.names))))
            elif kind == _FROM_HERE and target is not None:
                struct.pack_into("<q", block.bytes, at, target + addend - at)
            else:
                raise Unusable(f"an address of the kind {kind}")

    def _relocations(self) -> Iterator[tuple[int, int, int, int]]:
        for s in self.sections:
            if s.kind == _RELA and s.info in self.places:
                for at in range(s.offset, s.offset + s.size, _RELOCATION.size):
                    offset, info, addend = _RELOCATION.unpack_from(self.code, at)
                    where = self.places[s.info] + offset
                    yield where, info & 0xFFFFFFFF, info >> 32, addend

    def entry(self, symbol: str) -> int:
        for i, (name, *_) in enumerate(self.symbols):
            if self.name(name) == symbol:
                found = self.address(i)
                if found is not None:
                    return found
        raise Unusable(f"{symbol} is not there")


def start(image: bytes) -> dict[str, int]:
    """Put a block into memory, ready to be run.

    Parameters
    ----------
    image : bytes
        As :func:`lay_out` made it on this machine. It will be run: the caller vouches for it.

    Returns
    -------
    dict of str to int
        Address of each kernel.

    Raises
    ------
    Unusable
        When a function that is needed is not known here, or the system allows no such thing.
    """
    line, _, rest = image.partition(b"\n")
    head: dict[str, Any] = json.loads(line)
    n_own, n_outside = head["own"], 2 * head["outside"]
    own = np.frombuffer(rest, "<u8", n_own).astype(np.int64)
    outside = np.frombuffer(rest, "<u8", n_outside, 8 * n_own).astype(np.int64).reshape(-1, 2)
    code = memoryview(rest)[8 * (n_own + n_outside) :]
    block = mmap.mmap(-1, len(code))
    block[:] = code
    memory = np.frombuffer(block, np.uint8)
    base = memory.ctypes.data
    known = np.array([_known(name) for name in head["names"]], dtype=np.uint64)
    for at, add in ((own, np.uint64(base)), (outside[:, 0], known[outside[:, 1]])):
        # Not aligned: byte by byte.
        where = at[:, None] + np.arange(8)
        memory[where] = (memory[where].view("<u8")[:, 0] + add)[:, None].view(np.uint8)
    protect = ctypes.CDLL(None, use_errno=True).mprotect
    protect.argtypes = [ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int]
    if protect(base, head["code"], mmap.PROT_READ | mmap.PROT_EXEC) != 0:
        raise Unusable("memory may not be made executable")
    _BLOCKS.append(block)
    return {name: base + at for name, at in head["entries"].items()}


def _known(name: str) -> int:
    process = ctypes.CDLL(None)
    if name.startswith(_RUN_TIME):
        name = "abort"
    try:
        return ctypes.cast(getattr(process, name), ctypes.c_void_p).value or 0
    except AttributeError:
        raise Unusable(f"the symbol {name} is not known here") from None
