"""Machine code of the weekly kernels, cached between processes.

Importing numba costs more than filtering a club's log does. So numba compiles the kernels in
:data:`KERNELS` once per machine and version, their object code goes into a file of the user's
cache folder, and later processes link it with llvmlite alone. This saves 56 to 60 % of the wall
time of ``weekly data/demo``, measured 2026-11-30 against numba's own warm cache.

A kernel listed here allocates nothing and raises nothing, so that its code needs nothing of
numba's run time. ``native.filter_lanes`` and so on are attributes of this module; the first
one used links them all. When the file cannot be used, numba compiles the kernels again and
replaces it. ``MATURITY_MODEL_NATIVE=0`` always uses numba, with its own cache.
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import importlib
import json
import os
import sys
import threading
from base64 import b64decode, b64encode
from collections.abc import Callable
from operator import index
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from maturity_model.whole_files import write_file

Kernel = Callable[..., None]

# Arguments of the kernels of each module: f or i and a digit is a C-ordered float64 or int64
# array of that rank, n an int64, x a float64.
_SIGNATURES = {
    "kernels": {
        "filter_lanes": "f4 f4 f4 n n f5 f4 f2",
        "smooth_lanes": "f4 f4 f5 f4 f3 n n f3 f2 f2",
        "mix_nodes": "f5 f4 f3",
        "move_lanes": "f4 f3 f3 f3 f4",
        "multiply_codes": "i1 i1 f4 f4",
    },
    "risk_kernels": {"downward_risk": "f5 f4 f4 f4 f4 f4 i1 n f3 f4 f2"},
    "table_kernels": {
        "interval_table": "f1 f1 f3 f3 f2 f2 f1 x f3 f1",
        "bernoulli_table": "f3 f3 f1 x f4",
    },
    "path_kernels": {
        "first_slips": "f5 f4 f4 f4 f3 i1 n n f4 f3 f2",
        "long_stays": "f5 f4 f4 f4 f3 n n n f2 f2",
        "first_passage": "f3 f3 f3 f3 f3 n n f2 f3 f2",
    },
    "removal_kernels": {
        "leave_one_out": "f4 f4 f5 f4 f3 f2 n n i1 i1 f4 f3 i1 i1 f4 f3 i1 i1 f4 f3 f5 f2 f3",
        "filter_without": "f2 f4 f4 i1 i1 f4 n n n f4 f3 f3",
    },
}
#: Signature of each kernel.
KERNELS = {name: spec for kernels in _SIGNATURES.values() for name, spec in kernels.items()}

_SOURCES = [Path(__file__).with_name(f"{m}.py") for m in ("native", "arithmetic", *_SIGNATURES)]
_DTYPES = {"f": np.dtype(np.float64), "i": np.dtype(np.int64)}
_STALE_SECONDS = 30 * 86400
_ENGINES: list[Any] = []  # they own the linked code
_LOCK = threading.Lock()


class _Unusable(Exception):
    """The cached code cannot be used here."""


class _ObjectCode(NamedTuple):
    """One compiled kernel: its symbol, its object file, and the symbols it refers to."""

    symbol: str
    code: bytes
    needs: list[str]


def load_kernels() -> dict[str, Kernel]:
    """Link the kernels from cached machine code, or compile them.

    Each takes C-ordered arrays and numbers as in :data:`KERNELS`, and raises TypeError for
    others. It does not check shapes.
    """
    # Windows has no handle by which ctypes could look up all symbols of a process.
    if os.environ.get("MATURITY_MODEL_NATIVE") == "0" or sys.platform == "win32":
        return {name: _checked(_numba_kernel(name), spec) for name, spec in KERNELS.items()}
    path, key = None, ""
    try:
        import llvmlite.binding as llvm

        # Each version of llvmlite has one of these or both.
        for start in ("initialize_native_target", "initialize_native_asmprinter"):
            getattr(llvm, start, lambda: None)()
        key = _key(llvm)
        path = cache_folder() / f"kernels-{key[:16]}.bin"
        if path.exists():
            return _link(_read(path, key), llvm)
    except Exception:  # compiling is the remedy for all of them
        pass
    kernels, objects = _compile()
    if path is not None and objects.keys() == KERNELS.keys():
        with contextlib.suppress(OSError):
            _write(path, key, objects)
    return kernels


def __getattr__(name: str) -> Kernel:
    if name not in KERNELS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    with _LOCK:
        if name not in globals():
            globals().update(load_kernels())
    return globals()[name]


# Compiling ------------------------------------------------------------------------------


def _numba_kernel(name: str) -> Any:
    (module,) = (m for m, kernels in _SIGNATURES.items() if name in kernels)
    return getattr(importlib.import_module(f"maturity_model.hmm.{module}"), name)


def _compile() -> tuple[dict[str, Kernel], dict[str, _ObjectCode]]:
    """Compile all kernels with numba; the callables, and their object code."""
    from numba import njit, types

    from maturity_model.hmm.arithmetic import JIT

    # Code that comes from numba's own cache has no object file.
    options = {k: v for k, v in JIT.items() if k != "cache"}
    scalars = {"n": types.int64, "x": types.float64}
    items = {"f": types.float64, "i": types.int64}
    kernels: dict[str, Kernel] = {}
    objects: dict[str, _ObjectCode] = {}
    for name, spec in KERNELS.items():
        signature = tuple(
            scalars[a] if a in scalars else types.Array(items[a[0]], int(a[1]), "C")
            for a in spec.split()
        )
        dispatcher = njit(**options)(_numba_kernel(name).py_func)
        dispatcher.compile(signature)
        kernels[name] = _checked(dispatcher, spec)
        compiled = dispatcher.overloads[signature]
        _, kind, (code, _) = compiled.library.serialize_using_object_code()
        needs = [f.name for f in compiled.library._final_module.functions if f.is_declaration]
        if kind == "object":
            objects[name] = _ObjectCode(compiled.fndesc.llvm_func_name, code, needs)
    return kernels, objects


# The cache file -------------------------------------------------------------------------


def cache_folder() -> Path:
    """The folder of the cache: ``MATURITY_MODEL_CACHE``, or one in the user's cache folder."""
    named = os.environ.get("MATURITY_MODEL_CACHE")
    if named:
        return Path(named)
    # Empty counts as unset (XDG Base Directory Specification): no folder relative to here.
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "maturity-model"


def _key(llvm: Any) -> str:
    """Digest of everything that the machine code depends on."""
    from importlib.util import find_spec

    import llvmlite

    numba = find_spec("numba")  # finds it without importing it
    version = Path(numba.origin).with_name("_version.py") if numba and numba.origin else None
    parts = (
        [p.read_bytes() for p in _SOURCES], version.read_bytes() if version else b"",
        llvmlite.__version__, sys.version, llvm.get_process_triple(), llvm.get_host_cpu_name(),
        llvm.get_host_cpu_features().flatten(),
        os.environ.get("NUMBA_CPU_NAME", ""), os.environ.get("NUMBA_CPU_FEATURES", ""),
    )  # fmt: skip
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def _write(path: Path, key: str, objects: dict[str, _ObjectCode]) -> None:
    rows = {n: [o.symbol, b64encode(o.code).decode(), o.needs] for n, o in objects.items()}
    payload = json.dumps(rows).encode()
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    digest = hashlib.sha256(payload + key.encode()).digest()
    write_file(path, digest + payload, private=True)
    for old in path.parent.glob("kernels-*.bin"):
        if path.stat().st_mtime - old.stat().st_mtime > _STALE_SECONDS:
            old.unlink(missing_ok=True)


def _read(path: Path, key: str) -> dict[str, _ObjectCode]:
    # The code will be run, so the file must be whole and nobody else may have written it.
    for place in (path, path.parent):
        info = place.stat()
        if info.st_uid != os.getuid() or info.st_mode & 0o022:
            raise _Unusable(f"{place} can be written by others")
    content = path.read_bytes()
    digest, payload = content[:32], content[32:]
    if hashlib.sha256(payload + key.encode()).digest() != digest:
        raise _Unusable("the cache file is damaged")
    objects = {
        name: _ObjectCode(symbol, b64decode(code), needs)
        for name, (symbol, code, needs) in json.loads(payload).items()
    }
    if objects.keys() != KERNELS.keys():
        raise _Unusable("the cache file lacks kernels")
    return objects


# Linking --------------------------------------------------------------------------------


def _link(objects: dict[str, _ObjectCode], llvm: Any) -> dict[str, Kernel]:
    machine = llvm.Target.from_triple(llvm.get_process_triple()).create_target_machine(
        cpu=llvm.get_host_cpu_name(), opt=3, codemodel="jitdefault", jit=True
    )
    kernels = {}
    for name, (symbol, code, needs) in objects.items():
        _resolve(llvm, needs)
        # Every object file defines the same helpers, so each needs an engine to itself.
        engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine)
        engine.add_object_file(llvm.ObjectFileRef.from_data(code))
        engine.finalize_object()
        address = engine.get_function_address(symbol)
        if not address:
            raise _Unusable(f"the object file lacks {symbol}")
        _ENGINES.append(engine)
        kernels[name] = _bind(address, KERNELS[name])
    return kernels


def _resolve(llvm: Any, names: list[str]) -> None:
    # The arithmetic needs libm only. numba also emits an entry point for Python calls and
    # reference counting, neither of which is reached with the null owners passed below. Their
    # symbols of numba's run time are bound to abort().
    process = ctypes.CDLL(None)
    for name in names:
        if llvm.address_of_symbol(name) is not None or hasattr(process, name):
            continue
        if not name.startswith(("numba_", "NRT_", "Py", "_Py", "llvm.")):
            raise _Unusable(f"the symbol {name} is not known here")
        if not name.startswith("llvm."):
            llvm.add_symbol(name, ctypes.cast(process.abort, ctypes.c_void_p).value)


def _bind(address: int, spec: str) -> Kernel:
    """Wrap a function of numba's calling convention as a callable over arrays and numbers.

    Return slot and exception slot come first; an array is (owner, parent, number of items,
    item size, data, shape..., strides...).
    """
    kinds = spec.split()
    types: list[Any] = [ctypes.c_void_p, ctypes.c_void_p]
    for kind in kinds:
        if kind == "x":
            types.append(ctypes.c_double)
        else:
            types += [ctypes.c_int64] * (1 if kind == "n" else 5 + 2 * int(kind[1]))
    function = ctypes.CFUNCTYPE(ctypes.c_int32, *types)(address)

    def call(*args: Any) -> None:
        result, trouble = ctypes.c_void_p(), ctypes.c_void_p()
        flat: list[Any] = [ctypes.addressof(result), ctypes.addressof(trouble)]
        for kind, a in zip(kinds, args, strict=True):
            if kind in "nx":
                flat.append(index(a) if kind == "n" else float(a))
            else:
                flat += (0, 0, a.size, a.itemsize, a.ctypes.data, *a.shape, *a.strides)
        if function(*flat) != 0:
            raise RuntimeError("a kernel failed")

    return _checked(call, spec)


def _checked(kernel: Kernel, spec: str) -> Kernel:
    # Machine code reads whatever it is given; numba would compile again for another kind of array.
    kinds = spec.split()

    def call(*args: Any) -> None:
        if len(args) != len(kinds):
            raise TypeError(f"{len(kinds)} arguments are needed, not {len(args)}")
        for kind, a in zip(kinds, args, strict=True):
            if kind in "nx":
                continue
            if a.dtype != _DTYPES[kind[0]] or a.ndim != int(kind[1]) or not a.flags.c_contiguous:
                raise TypeError(f"a C-ordered array {kind} is needed, not {a.dtype} {a.shape}")
        kernel(*args)

    return call
