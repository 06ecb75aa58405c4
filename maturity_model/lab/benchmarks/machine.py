"""What the numbers were measured on."""

from __future__ import annotations

import os
import platform
import resource
from importlib import metadata
from pathlib import Path

#: What this process may run on, before a part holds itself to one core.
CORES = frozenset(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else frozenset()
PACKAGES = "numpy numba llvmlite hmmlearn jax jaxlib dynamax pandas xarray h5py".split()


def cpu() -> str:
    """Name of the processor."""
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text().splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    return platform.processor() or platform.machine()


def versions() -> list[str]:
    out = []
    for name in PACKAGES:
        try:
            out.append(f"{name} {metadata.version(name)}")
        except metadata.PackageNotFoundError:
            out.append(f"{name} MISSING")
    return out


def peak_megabytes() -> float:
    """Most memory that this process has held."""
    status = Path("/proc/self/status")
    if status.exists():
        # On Linux, ru_maxrss of a child begins with what its parent held.
        (line,) = (x for x in status.read_text().splitlines() if x.startswith("VmHWM:"))
        return int(line.split()[1]) / 2**10
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


def describe() -> list[str]:
    """Lines about the machine and what is installed."""
    import llvmlite.binding as llvm

    load = f", load {os.getloadavg()[0]:.1f} at the start" if hasattr(os, "getloadavg") else ""
    if hasattr(os, "sched_getscheduler") and os.sched_getscheduler(0) == os.SCHED_FIFO:
        # Then what else the machine does hardly counts.
        load += ", at real-time priority"
    return [
        f"{cpu()} ({llvm.get_host_cpu_name()}), {os.cpu_count()} cores{load}",
        f"{platform.system()} {platform.machine()}, Python {platform.python_version()}",
        ", ".join(versions()),
    ]
