"""Machine code of the weekly kernels, kept between processes.

Importing numba and waking its compiler costs several times what filtering a club's log
does. So the kernels in :data:`KERNELS` are compiled by numba once per machine and version,
their object code is kept in a cache folder, and later processes load it with llvmlite
alone. They allocate nothing and raise nothing, so they need nothing of numba's run time.

Whatever goes wrong here (no cache folder, a damaged file, an unknown symbol), numba
compiles the kernels as usual: slower, with the same numbers. Set the environment variable
``MATURITY_MODEL_NATIVE=0`` to use numba always.
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import json
import os
import sys
import threading
from base64 import b64decode, b64encode
from collections.abc import Callable
from operator import index
from pathlib import Path
from typing import Any

import numpy as np

#: Kernel to signature: f/i and a digit, a C-ordered float64/int64 array of that rank;
#: n, an int64; x, a float64.
KERNELS = {
    "filter_lanes": "f4 f4 f4 n n f5 f4 f2",
    "smooth_lanes": "f4 f4 f5 f4 f3 n n f3 f2 f3",
    "mix_nodes": "f5 f4 f3",
    "downward_risk": "f5 f4 f4 f4 f4 f4 i1 n f3 f3 f3",
    "move_lanes": "f4 f2 f3 f3 f4",
    "multiply_codes": "i1 i1 f4 f4",
    "interval_table": "f1 f1 f3 f3 f2 f2 f1 x f3 f1",
    "bernoulli_table": "f3 f3 f1 x f4",
    "first_slips": "f5 f4 f4 f4 f3 i1 n n f4 f3 f2",
    "long_stays": "f5 f4 f4 f4 f3 n n n f2 f2",
    "first_arrival": "f3 f3 f3 f3 f3 n n f2 f2",
    "leave_one_out": "f4 f4 f5 f4 f3 f2 n n i1 i1 f4 f3 i1 i1 f4 f3 i1 i1 f4 f3 f5 f3 f3",
    "filter_without": "f2 f4 f4 i1 i1 f4 n n n f4 f3 f3",
}
_ITEM = {"f": np.dtype(np.float64), "i": np.dtype(np.int64)}
_FORMAT = 1
_STALE_SECONDS = 30 * 86400
_ENGINES: list[Any] = []  # They own the machine code.
_LOCK, _LINKING = threading.Lock(), threading.Lock()
_SOURCES = tuple(
    Path(__file__).with_name(f"{module}.py")
    for module in (
        "arithmetic",
        "kernels",
        "path_kernels",
        "removal_kernels",
        "risk_kernels",
        "table_kernels",
    )
)


class _Unusable(Exception):
    """The kept code cannot be used here; numba compiles instead."""


def cache_folder() -> Path:
    """Where object code is kept: ``MATURITY_MODEL_CACHE``, or the user's cache folder."""
    named = os.environ.get("MATURITY_MODEL_CACHE")
    if named:
        return Path(named)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local"
    else:
        # Empty counts as unset (XDG Base Directory Specification): no folder relative to here.
        base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "maturity-model"


def _key(llvm: Any) -> str:
    # Everything the machine code depends on. Looking for numba does not import it.
    from importlib.util import find_spec

    import llvmlite

    numba = find_spec("numba")
    version = Path(numba.origin).with_name("_version.py") if numba and numba.origin else None
    parts = (
        _FORMAT, *(p.read_bytes() for p in _SOURCES), repr(KERNELS),
        version.read_bytes() if version else b"", llvmlite.__version__, sys.version,
        llvm.get_process_triple(), llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten(),
        os.environ.get("NUMBA_CPU_NAME", ""), os.environ.get("NUMBA_CPU_FEATURES", ""),
    )  # fmt: skip
    return hashlib.sha256(repr(parts).encode()).hexdigest()


def _source(name: str) -> Any:
    # numba's dispatcher of a kernel.
    from maturity_model.hmm import (
        kernels,
        path_kernels,
        removal_kernels,
        risk_kernels,
        table_kernels,
    )

    for module in (kernels, path_kernels, risk_kernels, table_kernels):
        if hasattr(module, name):
            return getattr(module, name)
    return getattr(removal_kernels, name)


def _compile() -> tuple[dict[str, Callable[..., None]], dict[str, tuple[str, bytes, list[str]]]]:
    """Compile all kernels; return numba's callables, and (symbol, object, needs) of each."""
    from numba import njit, types

    from maturity_model.hmm.arithmetic import JIT

    # numba's own cache hands out no object code, so it is left out here.
    options = {k: v for k, v in JIT.items() if k != "cache"}

    scalar = {"n": types.int64, "x": types.float64}
    item = {"f": types.float64, "i": types.int64}
    ready: dict[str, Callable[..., None]] = {}
    kept: dict[str, tuple[str, bytes, list[str]]] = {}
    for name, spec in KERNELS.items():
        signature = tuple(
            scalar[a] if a in scalar else types.Array(item[a[0]], int(a[1]), "C")
            for a in spec.split()
        )
        dispatcher = njit(**options)(_source(name).py_func)
        dispatcher.compile(signature)
        ready[name] = _strict(dispatcher, spec)
        compiled = dispatcher.overloads[signature]
        library = compiled.library
        _, kind, (code, _) = library.serialize_using_object_code()
        needs = [f.name for f in library._final_module.functions if f.is_declaration]
        if kind == "object":
            kept[name] = (compiled.fndesc.llvm_func_name, code, needs)
    return ready, kept


def _keep(path: Path, key: str, kept: dict[str, tuple[str, bytes, list[str]]]) -> None:
    payload = json.dumps(
        {
            name: [symbol, b64encode(code).decode(), needs]
            for name, (symbol, code, needs) in kept.items()
        }
    ).encode()
    content = hashlib.sha256(payload + key.encode()).digest() + payload
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        with open(temporary, "xb", opener=lambda p, flags: os.open(p, flags, 0o600)) as file:
            file.write(content)
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
    for old in path.parent.glob("kernels-*.bin"):
        if path.stat().st_mtime - old.stat().st_mtime > _STALE_SECONDS:
            old.unlink(missing_ok=True)


def _read(path: Path, key: str) -> dict[str, tuple[str, bytes, list[str]]]:
    # It will be run: only a whole file that nobody else can write is trusted.
    for place in (path, path.parent):
        info = place.stat()
        if hasattr(os, "getuid") and (info.st_uid != os.getuid() or info.st_mode & 0o022):
            raise _Unusable(f"{place} may be written by others")
    content = path.read_bytes()
    digest, payload = content[:32], content[32:]
    if hashlib.sha256(payload + key.encode()).digest() != digest:
        raise _Unusable("the cache file is damaged")
    return {
        name: (symbol, b64decode(code), needs)
        for name, (symbol, code, needs) in json.loads(payload).items()
    }


def _resolve(llvm: Any, names: list[str]) -> None:
    # The arithmetic needs libm only. numba also emits an entry point for Python calls and
    # reference counting that is never reached with the null owners passed below: what
    # they ask of numba's run time is bound to abort().
    process = ctypes.CDLL(None)
    for name in names:
        if llvm.address_of_symbol(name) is not None or hasattr(process, name):
            continue
        if not name.startswith(("numba_", "NRT_", "Py", "_Py", "llvm.")):
            raise _Unusable(f"the symbol {name} is not known here")
        if not name.startswith("llvm."):
            stop = ctypes.cast(process.abort, ctypes.c_void_p).value
            llvm.add_symbol(name, stop)


def _check(kinds: list[str], args: tuple[Any, ...]) -> None:
    if len(args) != len(kinds):
        raise TypeError(f"{len(kinds)} arguments are needed, not {len(args)}")
    for k, a in zip(kinds, args, strict=True):
        if k in "nx":
            continue
        if a.dtype != _ITEM[k[0]] or a.ndim != int(k[1]) or not a.flags.c_contiguous:
            raise TypeError(f"a C-ordered array {k} is needed, not {a.dtype} {a.shape}")


def _strict(kernel: Callable[..., None], spec: str) -> Callable[..., None]:
    # numba would compile again for arrays of another kind; kept code cannot.
    kinds = spec.split()

    def call(*args: Any) -> None:
        _check(kinds, args)
        kernel(*args)

    return call


def _bind(address: int, spec: str) -> Callable[..., None]:
    """A callable over arrays and numbers, in numba's calling convention.

    Return slot and exception slot come first; an array is (owner, parent, items,
    item size, data, shape..., strides...).
    """
    kinds = spec.split()
    width = [1 if k in "nx" else 5 + 2 * int(k[1]) for k in kinds]
    types: list[Any] = [ctypes.c_void_p, ctypes.c_void_p]
    for k, w in zip(kinds, width, strict=True):
        types += [ctypes.c_double] if k == "x" else [ctypes.c_int64] * w
    function = ctypes.CFUNCTYPE(ctypes.c_int32, *types)(address)

    def call(*args: Any) -> None:
        _check(kinds, args)
        result, trouble = ctypes.c_void_p(), ctypes.c_void_p()
        flat: list[Any] = [ctypes.addressof(result), ctypes.addressof(trouble)]
        for k, a in zip(kinds, args, strict=True):
            if k in "nx":
                flat.append(index(a) if k == "n" else float(a))
            else:
                flat += (0, 0, a.size, a.itemsize, a.ctypes.data, *a.shape, *a.strides)
        if function(*flat) != 0:
            raise RuntimeError("a kernel failed")

    return call


def _load(path: Path, key: str, llvm: Any) -> dict[str, Callable[..., None]]:
    kept = _read(path, key)
    if kept.keys() != KERNELS.keys():
        raise _Unusable("the cache file lacks kernels")
    machine = llvm.Target.from_triple(llvm.get_process_triple()).create_target_machine(
        cpu=llvm.get_host_cpu_name(), opt=3, codemodel="jitdefault", jit=True
    )

    def link(name: str) -> Callable[..., None]:
        symbol, code, _ = kept[name]
        # An engine each: every object defines the same helpers.
        engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), machine)
        engine.add_object_file(llvm.ObjectFileRef.from_data(code))
        engine.finalize_object()
        address = engine.get_function_address(symbol)
        if not address:
            return _strict(_source(name), KERNELS[name])
        _ENGINES.append(engine)
        return _bind(address, KERNELS[name])

    for _, _, needs in kept.values():
        _resolve(llvm, needs)
    return {name: _at_first_call(link, name) for name in kept}


def _at_first_call(link: Callable[[str], Callable[..., None]], name: str) -> Callable[..., None]:
    # A command needs some of the kernels: linking each costs milliseconds.
    linked: list[Callable[..., None]] = []

    def call(*args: Any) -> None:
        if not linked:
            with _LINKING:
                if not linked:
                    linked.append(link(name))
        linked[0](*args)

    return call


def load_kernels() -> dict[str, Callable[..., None]]:
    """The kernels, from kept machine code where possible.

    Returns
    -------
    dict of str to callable
        Each takes C-ordered arrays and numbers as in :data:`KERNELS`, and raises
        TypeError for others. Shapes are the caller's to keep in step.
    """
    if os.environ.get("MATURITY_MODEL_NATIVE") == "0":
        return {name: _strict(_source(name), spec) for name, spec in KERNELS.items()}
    path = key = None
    try:
        import llvmlite.binding as llvm

        # Versions of llvmlite differ in which of these they want called.
        for start in ("initialize_native_target", "initialize_native_asmprinter"):
            getattr(llvm, start, lambda: None)()
        key = _key(llvm)
        path = cache_folder() / f"kernels-{key[:16]}.bin"
        if path.exists():
            return _load(path, key, llvm)
    except Exception:  # Whatever it was, numba below is the remedy.
        pass
    ready, kept = _compile()
    if path is not None and key is not None and kept.keys() == KERNELS.keys():
        with contextlib.suppress(OSError):
            _keep(path, key, kept)
    return ready


def __getattr__(name: str) -> Callable[..., None]:
    if name not in KERNELS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    with _LOCK:
        if name not in globals():
            globals().update(load_kernels())
    return globals()[name]
