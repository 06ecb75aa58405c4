"""Object code laid out as a block: what it is for, and what is refused."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from hmm.test_native import filter_arguments, image_key, key, load, run

from maturity_model.hmm import image, native


@pytest.fixture
def objects(compiled: tuple[Path, str]) -> dict[str, tuple[str, bytes]]:
    (path,) = compiled[0].glob("kernels-*.bin")
    return {name: found[:2] for name, found in native._read(path, key()).items()}


def test_the_block_alone_gives_the_same_numbers(
    compiled: tuple[Path, str],
    tmp_path: Path,
) -> None:
    folder = tmp_path / "cache"
    folder.mkdir(mode=0o700)
    (path,) = compiled[0].glob("image-*.bin")
    shutil.copy2(path, folder)
    assert run(folder) == (compiled[1], False)
    assert [p.name for p in folder.iterdir()] == [path.name]  # Nothing else was asked.


def test_each_kernel_equals_what_llvm_links(compiled: tuple[Path, str]) -> None:
    (block,) = compiled[0].glob("image-*.bin")
    (path,) = compiled[0].glob("kernels-*.bin")
    ours, linked = native._from_image(block, image_key()), load(path)
    assert ours.keys() == native.KERNELS.keys()
    for name, arguments in filter_arguments(np.random.default_rng(1)).items():
        other = [a.copy() if isinstance(a, np.ndarray) else a for a in arguments]
        ours[name](*arguments)
        linked[name](*other)
        for a, b in zip(arguments, other, strict=True):
            np.testing.assert_array_equal(a, b, err_msg=name)


@pytest.mark.parametrize("damage", ["cut", "bit", "key", "open"])
def test_a_damaged_block_is_passed_over_and_made_again(
    compiled: tuple[Path, str],
    tmp_path: Path,
    damage: str,
) -> None:
    folder = tmp_path / "cache"
    shutil.copytree(compiled[0], folder)
    folder.chmod(0o700)
    (path,) = folder.glob("image-*.bin")
    content = bytearray(path.read_bytes())
    if damage == "cut":
        path.write_bytes(content[:-100])
    elif damage == "bit":
        content[-1000] ^= 1
        path.write_bytes(content)
    elif damage == "key":
        native._write(path, "another key", bytes(content[32:]))
    else:
        path.chmod(0o622)
    with pytest.raises(native._Unusable):
        native._from_image(path, image_key())
    assert run(folder) == (compiled[1], False)
    (path,) = folder.glob("image-*.bin")
    assert native._from_image(path, image_key()).keys() == native.KERNELS.keys()


def test_what_is_not_an_object_is_refused(objects: dict[str, tuple[str, bytes]]) -> None:
    name = "mix_nodes"
    symbol, code = objects[name]
    assert image.lay_out({name: (symbol, code)})
    for bad in (b"", b"\x7fELF", b"MZ" + code[2:], code[:18] + b"\xb7\x00" + code[20:]):
        with pytest.raises(image.Unusable):
            image.lay_out({name: (symbol, bad)})
    for length in range(100, len(code), 997):
        with pytest.raises(image.Unusable):
            image.lay_out({name: (symbol, code[:length])})
    with pytest.raises(image.Unusable, match="no_such_kernel"):
        image.lay_out({name: ("no_such_kernel", code)})


def test_addresses_of_another_kind_are_refused(objects: dict[str, tuple[str, bytes]]) -> None:
    symbol, code = objects["mix_nodes"]
    first = image._Object(code)
    (table,) = (
        s for s in first.sections if s.kind == image._RELA and first.sections[s.info].size > 1000
    )
    other = bytearray(code)
    other[table.offset + 8] = 2  # R_X86_64_PC32
    with pytest.raises(image.Unusable, match="kind 2"):
        image.lay_out({"mix_nodes": (symbol, bytes(other))})


def test_an_unknown_function_is_refused(objects: dict[str, tuple[str, bytes]]) -> None:
    made = image.lay_out({"mix_nodes": objects["mix_nodes"]})
    line, _, rest = made.partition(b"\n")
    head = json.loads(line)
    head["names"][0] = "no_such_function"
    with pytest.raises(image.Unusable, match="no_such_function"):
        image.start(json.dumps(head).encode() + b"\n" + rest)


def test_code_is_not_writable(compiled: tuple[Path, str]) -> None:
    (path,) = compiled[0].glob("image-*.bin")
    addresses = image.start(native._trusted(path, image_key()))
    for line in Path("/proc/self/maps").read_text().splitlines():
        span, rights = line.split()[:2]
        low, high = (int(x, 16) for x in span.split("-"))
        if any(low <= at < high for at in addresses.values()):
            assert rights.startswith("r-x")
