"""Files and folders are whole at any moment: after an error, and after a kill at any line."""

from __future__ import annotations

import os
import re
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest
from command_logs import ROOT, python

from maturity_model import whole_files
from maturity_model.whole_files import (
    LockedError,
    create_file,
    locked,
    new_file,
    new_folder,
    recover_folder,
    remove_leftovers,
    staged_files,
    write_file,
)

POSIX = pytest.mark.skipif(os.name != "posix", reason="modes and links are POSIX")
Files = dict[str, str]


def files(folder: Path) -> Files:
    """Every file below a folder that is not hidden."""
    return {
        path.relative_to(folder).as_posix(): path.read_text()
        for path in folder.rglob("*")
        if path.is_file() and not any(p.startswith(".") for p in path.relative_to(folder).parts)
    }


def hidden(folder: Path) -> list[str]:
    """What is left over, but for the lock's file."""
    return sorted(p.name for p in folder.glob(".*") if not p.name.endswith(".lock"))


# Without a kill -------------------------------------------------------------------------


def test_text_and_bytes_are_written(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_file(path, b"two\r\n")
    assert path.read_bytes() == b"two\r\n"
    write_file(path, "µ\ud800")
    assert path.read_bytes() == "µ?".encode()
    for write in (write_file, create_file):
        with pytest.raises(FileNotFoundError):
            write(tmp_path / "no" / "a.txt", "new")


def test_an_error_leaves_what_was_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a kill leaves a hidden file, an error leaves none."""
    (tmp_path / "d").mkdir()
    (tmp_path / "a").write_text("old")
    (tmp_path / "d" / "b").write_text("old")

    def stop_after(_: object) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt), new_file(tmp_path / "a") as part:
        stop_after(part.write_text("ne"))
    with pytest.raises(KeyboardInterrupt), staged_files(tmp_path) as staged:
        stop_after(staged.write("a", ["ne", "w"]))
    with pytest.raises(KeyboardInterrupt), new_folder(tmp_path / "d") as part:
        stop_after((part / "c").write_text("new"))
    with pytest.raises(FileExistsError), staged_files(tmp_path) as staged:
        stop_after([staged.write("a", "new") for _ in range(2)])

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError, match="No space"):
        write_file(tmp_path / "a", "new")
    assert files(tmp_path) == {"a": "old", "d/b": "old"}
    assert hidden(tmp_path) == []


@pytest.mark.parametrize("links", [True, False])
def test_a_file_that_exists_is_not_created_again(
    links: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(*_: object) -> None:
        raise OSError(1, "Operation not permitted")

    if not links:
        monkeypatch.setattr(os, "link", no_links)
    path, raced = tmp_path / "a", tmp_path / "b"
    assert create_file(path, "one", private=True, durable=True)
    assert not create_file(path, "two")
    assert path.read_text() == "one"
    # Another process makes it while this one is still writing.
    monkeypatch.setattr(whole_files, "_sync", lambda _: raced.write_text("theirs"))
    assert not create_file(raced, "ours", durable=True)
    assert raced.read_text() == "theirs"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "b"]


@POSIX
def test_permissions(tmp_path: Path) -> None:
    def mode(path: Path) -> int:
        return stat.S_IMODE(path.stat().st_mode)

    path = tmp_path / "a.txt"
    before = os.umask(0o022)
    try:
        write_file(path, "one")
        assert mode(path) == 0o644
        path.chmod(0o640)
        write_file(path, "two")
        assert mode(path) == 0o640
        write_file(path, "three", private=True)
        assert mode(path) == 0o600
        with new_file(tmp_path / "key", private=True) as part:
            assert mode(part) == 0o600  # Nobody can read it while it is being written either.
    finally:
        os.umask(before)


@POSIX
def test_a_link_is_replaced_or_removed_but_not_followed(tmp_path: Path) -> None:
    mine, out = tmp_path / "mine", tmp_path / "out"
    mine.mkdir()
    out.mkdir()
    (mine / "file").write_text("mine")
    (mine / "file").chmod(0o604)
    (out / "a.txt").symlink_to(mine / "file")
    (out / ".staged.12.part").symlink_to(mine)
    write_file(out / "a.txt", "new")
    assert not (out / "a.txt").is_symlink()
    assert stat.S_IMODE((out / "a.txt").stat().st_mode) != 0o604
    remove_leftovers(out)
    assert files(mine) == {"file": "mine"}
    assert hidden(out) == []


@POSIX
def test_only_a_file_replaces_a_file_and_a_folder_a_folder(tmp_path: Path) -> None:
    """An ``--out /dev/null`` by root must not put a file or a folder in its place."""
    pipe, file = tmp_path / "pipe", tmp_path / "file"
    os.mkfifo(pipe)
    file.write_text("old")
    for path in (pipe, tmp_path):
        with pytest.raises(FileExistsError, match="not a file"):
            write_file(path, "new")
    for path in (pipe, file):
        with pytest.raises(NotADirectoryError, match="not a folder"), new_folder(path):
            pass
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    assert file.read_text() == "old"


def test_one_process_at_a_time_replaces_a_folder(tmp_path: Path) -> None:
    with (
        new_folder(tmp_path / "out"),
        pytest.raises(LockedError, match="another run is writing"),
        new_folder(tmp_path / "out", wait=0.1),
    ):
        pass


# Leftovers ------------------------------------------------------------------------------


def test_only_old_leftovers_go(tmp_path: Path) -> None:
    now = time.time()
    for name, age in ((".a.html.12.part", 90), (".b.html.0af3.part", 5), (".c.part", 90)):
        path = tmp_path / name
        path.write_text("half")
        os.utime(path, (now - age, now - age))
    (tmp_path / "a.12.part").write_text("somebody's own")
    remove_leftovers(tmp_path, older_than=60)
    assert hidden(tmp_path) == [".b.html.0af3.part", ".c.part"]
    remove_leftovers(tmp_path, "a.html")
    assert hidden(tmp_path) == [".b.html.0af3.part", ".c.part"]
    remove_leftovers(tmp_path, "b.html")
    assert sorted(p.name for p in tmp_path.iterdir()) == [".c.part", "a.12.part"]
    remove_leftovers(tmp_path / "no")


def test_a_leftover_folder_goes_but_not_a_running_or_somebodys_own_one(tmp_path: Path) -> None:
    with staged_files(tmp_path) as running:
        running.write("a.html", ["one ", "two"])
        killed, own = tmp_path / ".staged.1.part", tmp_path / ".staged.2.part"
        (own / "a folder").mkdir(parents=True)
        killed.mkdir()
        (killed / "b.html").write_text("half")
        for folder in (killed, own):
            os.utime(folder, (1e9, 1e9))
        remove_leftovers(tmp_path, older_than=60)
        assert hidden(tmp_path) == sorted([".staged.2.part", running.part.name])
    assert files(tmp_path) == {"a.html": "one two"}


# The lock -------------------------------------------------------------------------------

HOLD = """
import sys, time
from pathlib import Path
from maturity_model.whole_files import locked
with locked(Path(sys.argv[1]), RuntimeError("busy")):
    print("held", flush=True)
    time.sleep(60)
"""


def test_the_lock_is_waited_for_and_then_given_up(tmp_path: Path) -> None:
    path, busy = tmp_path / ".lock", LockedError("busy")
    with locked(path, busy), pytest.raises(LockedError, match="busy"), locked(path, busy, 0.1):
        pass
    with locked(path, busy):
        pass


def test_a_lock_ends_with_its_process(tmp_path: Path) -> None:
    path = tmp_path / ".lock"
    words = [sys.executable, "-c", HOLD, str(path)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, cwd=ROOT) as process:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == b"held"
        with pytest.raises(LockedError), locked(path, LockedError("busy"), 0.05):
            pass
        process.kill()
        process.wait()
    with locked(path, LockedError("busy"), 5.0):
        pass


def test_nothing_else_in_the_package_renames_or_locks() -> None:
    package = Path(whole_files.__file__).parent
    ways = re.compile(r"os\.(replace|rename|link)\(|\b(fcntl|msvcrt|filelock)\b")
    found = {p.name for p in package.rglob("*.py") if ways.search(p.read_text("utf-8"))}
    assert found == {"whole_files.py"}


# Kills ----------------------------------------------------------------------------------

#: Runs ``action`` in one child after the other; the n-th kills itself at the n-th line that
#: it executes in the module, until a child comes to the end. Prints how many were killed.
KILLER = """
import os, shutil, signal, sys
from pathlib import Path
from maturity_model import whole_files
import filelock
action, work = sys.argv[1], Path(sys.argv[2])
if action.endswith("in two renames"):
    whole_files._exchange = lambda a, b: False

def run(folder):
    if action == "write_file":
        whole_files.write_file(folder / "a", "new", durable=True)
    elif action == "create_file":
        whole_files.create_file(folder / "b", "new", durable=True)
    elif action == "staged_files":
        with whole_files.staged_files(folder) as staged:
            for name in "cba":
                staged.write(name, "new")
    else:
        with whole_files.new_folder(folder / "d") as part:
            for name in "bc":
                (part / name).write_text("new")

def killed_at(n):
    left = n
    def trace(frame, event, argument):
        nonlocal left
        if frame.f_code.co_filename != whole_files.__file__:
            return None
        if event == "line":
            if not left:
                os.kill(os.getpid(), signal.SIGKILL)
            left -= 1
        return trace
    sys.settrace(trace)

for n in range(2000):
    folder = work / str(n)
    shutil.copytree(work / "old", folder)
    child = os.fork()
    if not child:
        killed_at(n)
        run(folder)
        os._exit(0)
    if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) != -signal.SIGKILL:
        print(n)
        break
"""
OLD = {"a": "old", "d/a": "old", "d/b": "old"}
#: What each action makes of the old files.
NEW: dict[str, Files] = {
    "write_file": OLD | {"a": "new"},
    "create_file": OLD | {"b": "new"},
    "staged_files": OLD | {"a": "new", "b": "new", "c": "new"},
    "new_folder": {"a": "old", "d/b": "new", "d/c": "new"},
    "new_folder in two renames": {"a": "old", "d/b": "new", "d/c": "new"},
}


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork here")
@pytest.mark.parametrize("action", NEW)
def test_a_kill_at_any_line(action: str, tmp_path: Path) -> None:
    (tmp_path / "old" / "d").mkdir(parents=True)
    for name, text in OLD.items():
        (tmp_path / "old" / name).write_text(text)
    done = python("-c", KILLER, action, tmp_path)
    assert done.returncode == 0, done.stderr
    kills = int(done.stdout)
    assert kills > 10
    new, seen = NEW[action], []
    for n in range(kills + 1):
        folder = tmp_path / str(n)
        recover_folder(folder / "d")
        found = files(folder)
        seen.append(found)
        if action == "staged_files":
            # Each file is old or new, in the order in which they were written.
            assert found in [OLD | dict.fromkeys("cba"[:k], "new") for k in range(4)]
        else:
            assert found in (OLD, new)
        remove_leftovers(folder)
        assert hidden(folder) in ([], [".d.old"])
    assert seen[0] == OLD
    assert seen[-1] == new
    assert seen.index(new) > 5  # The old one stayed for most of the time,
    assert OLD not in seen[seen.index(new) :]  # and never came back.
