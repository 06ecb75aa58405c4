"""What the numbers were measured on."""

from __future__ import annotations

import os
import platform
import resource
from importlib import metadata
from pathlib import Path

PACKAGES = "numpy numba llvmlite hmmlearn pytensor pymc nutpie arviz pandas xarray h5py".split()


def cpu() -> str:
    """Name of the processor."""
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text().splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    return platform.processor() or platform.machine()


def version(name: str) -> str:
    try:
        return f"{name} {metadata.version(name)}"
    except metadata.PackageNotFoundError:
        return f"{name} MISSING"


def load() -> str:
    """Processes that want to run, averaged over the last minute, where that is known."""
    return f"load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "load unknown"


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

    return [
        f"{cpu()} ({llvm.get_host_cpu_name()}), {os.cpu_count()} cores, {load()} at the start",
        f"{platform.system()} {platform.machine()}, Python {platform.python_version()}",
        ", ".join(map(version, PACKAGES)),
    ]
