"""A panel's design as two arrays, as the fused likelihood reads it.

One array of whole numbers, which begins with sizes and with where its parts lie, and one of
numbers. Tanks lie in blocks of eight, by length; what acts on a move lies there lane by lane.
:mod:`.panel_kernels` reads both.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from maturity_model._typing import Floats, Ints
from maturity_model.fitting.design import Design
from maturity_model.fitting.kernels.simd_lanes import WIDTH

#: Sizes, at the beginning: tanks, rows, states, phases, stages, signs, ways of looking, keepers,
#: kinds of event, husbandry, cells of signs, whether signs shift by tank, blocks, steps of them.
SIZES = (
    "tanks", "rows", "states", "phases", "stages", "signs", "looks", "keepers", "events",
    "covariates", "cells", "by_tank", "blocks", "steps",
)  # fmt: skip
(N, R, S, K, STAGES, G, LOOKS, M, E, J, C, BY_TANK, BLOCKS, STEPS) = range(len(SIZES))
#: Parts of the whole numbers; then those of the numbers.
WHOLE = (
    "first", "order", "sign_begin", "sign_code", "cell_sign", "cell_look", "cell_keeper",
    "cell_tank", "reading_begin", "reading_code", "judged_begin", "judged_code",
)  # fmt: skip
REAL = ("level", "answer", "small", "initial", "impulse", "pending", "husbandry", "weights")
(
    FIRST, ORDER, SIGN_BEGIN, SIGN_CODE, CELL_SIGN, CELL_LOOK, CELL_KEEPER, CELL_TANK,
    READING_BEGIN, READING_CODE, JUDGED_BEGIN, JUDGED_CODE,
    LEVEL, ANSWER, SMALL, INITIAL, IMPULSE, PENDING, HUSBANDRY, WEIGHTS, END,
) = range(len(SIZES), len(SIZES) + len(WHOLE) + len(REAL) + 1)  # fmt: skip


class Packed(NamedTuple):
    """Arrays of a design.

    Attributes
    ----------
    whole : int64 ndarray, shape (W,)
    real : float64 ndarray, shape (F,)
    """

    whole: Ints
    real: Floats


def _begins(row: Ints, rows: int) -> Ints:
    # Where each row's observations begin; they lie by row.
    return np.concatenate([[0], np.cumsum(np.bincount(row, minlength=rows))]).astype(np.int64)


def _by_row(row: Ints, code: Ints, rows: int) -> tuple[Ints, Ints]:
    order = np.argsort(row, kind="stable")
    return _begins(row, rows), np.asarray(code)[order].astype(np.int64)


def _in_lanes(values: Floats, first: Ints, order: Ints) -> Floats:
    # (R, X) by row to (steps, X, WIDTH), block after block, zero where there is no row.
    blocks = []
    for at in range(0, len(order), WIDTH):
        tanks = order[at : at + WIDTH]
        weeks = first[tanks + 1] - first[tanks]
        block = np.zeros((int(weeks.max()), values.shape[1], WIDTH))
        for lane, tank in enumerate(tanks):
            block[: weeks[lane], :, lane] = values[first[tank] : first[tank + 1]]
        blocks.append(block.ravel())
    return np.concatenate(blocks)


def _start_in_lanes(start: Floats, order: Ints) -> Floats:
    blocks = -(-len(order) // WIDTH)
    out = np.full((blocks, start.shape[1], WIDTH), 1.0 / start.shape[1])
    for i, tank in enumerate(order):
        out[i // WIDTH, :, i % WIDTH] = start[tank]
    return out.ravel()


def _by_observer(design: Design) -> tuple[np.ndarray, Ints]:
    # Cells of one observer together, as they are used; and each observation's cell.
    order = np.argsort(design.sign_cell["observer"], kind="stable")
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    return design.sign_cell[order], place[design.sign_code]


def pack(
    design: Design,
    small: Floats,
    n_looks: int,
    n_stages: int,
    weights: tuple[float, float, float],
    *,
    signs: bool = True,
    readings: bool = True,
    judgements: bool = True,
) -> Packed:
    """Pack a design.

    Parameters
    ----------
    design : Design
    small : ndarray, shape (G,)
        How far skill and a torch matter for each sign.
    n_looks, n_stages : int
    weights : tuple of float
        Powers on the likelihood of signs, readings and judgements.
    signs, readings, judgements : bool
        Whether such observations count.

    Returns
    -------
    Packed
    """
    n, rows, states = len(design.tanks), int(design.first[-1]), design.start.shape[1]
    cells, sign_code = _by_observer(design)
    none = np.zeros(0, dtype=np.int64)

    def observed(row: Ints, code: Ints, use: bool) -> tuple[Ints, Ints]:
        return _by_row(row, code, rows) if use else _by_row(none, none, rows)

    sign_begin, sign_code = observed(design.sign_row, sign_code, signs)
    reading_begin, reading_code = observed(design.reading_row, design.reading_code, readings)
    judged_begin, judged_code = observed(design.judged_row, design.judged_code, judgements)
    first, order = design.first, design.order
    observer = cells["observer"].astype(np.int64)
    whole = {
        "first": first,
        "order": order,
        "sign_begin": sign_begin,
        "sign_code": sign_code,
        "cell_sign": cells["sign"],
        "cell_look": cells["look"],
        "cell_keeper": design.keeper[observer] if design.by_tank else observer,
        "cell_tank": observer if design.by_tank else np.zeros(len(cells), dtype=np.int64),
        "reading_begin": reading_begin,
        "reading_code": reading_code,
        "judged_begin": judged_begin,
        "judged_code": judged_code,
    }
    real = {
        "level": cells["level"],
        # 1 for yes, -1 for no.
        "answer": cells["seen"],
        "small": small,
        "initial": _start_in_lanes(design.start, order),
        "impulse": _in_lanes(design.impulse, first, order),
        "pending": _in_lanes(design.pending, first, order),
        "husbandry": _in_lanes(design.husbandry, first, order),
        "weights": np.array(weights),
    }
    longest = np.diff(first)[order]
    steps = sum(int(longest[at : at + WIDTH].max()) for at in range(0, n, WIDTH))
    sizes = (
        n, rows, states, states // n_stages, n_stages, len(small), n_looks, len(design.keepers),
        design.impulse.shape[1], design.husbandry.shape[1], len(cells), int(design.by_tank),
        -(-n // WIDTH), steps,
    )  # fmt: skip
    header = END + 1
    at, places = header, []
    for name in WHOLE:
        places.append(at)
        at += len(whole[name])
    at, numbers = 0, []
    for name in REAL:
        # Each part begins on a row of lanes.
        places.append(at)
        numbers.append(np.append(real[name], np.zeros(-len(real[name]) % WIDTH)))
        at += len(numbers[-1])
    parts = [np.array([*sizes, *places, at], dtype=np.int64)]
    parts += [np.asarray(whole[name], dtype=np.int64) for name in WHOLE]
    return Packed(np.concatenate(parts), np.concatenate(numbers))
