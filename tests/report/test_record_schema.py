"""A tank's record holds every number of its answer, and its schema says what each key is."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from assessment.assessed import demo
from report.example import (
    AMMONIA,
    BLOOM,
    MATURE,
    alarmed,
    asked_tank,
    example_assessment,
    example_tank,
    lasting,
    problem,
)
from report.page_tree import record_of

from maturity_model.assessment.plan import Plan
from maturity_model.assessment.questions import Questions
from maturity_model.report import machine, report_json
from maturity_model.report.machine import tank_record, to_json
from maturity_model.report.question_record import QUESTIONS

SCHEMA = Path(machine.__file__).with_name("record.schema.json")
Check = Callable[[dict[str, Any]], None]


@pytest.fixture(scope="module")
def check(need: Callable[[str], ModuleType]) -> Check:
    library = need("jsonschema")
    schema = json.loads(SCHEMA.read_text("utf-8"))
    validator = library.Draft202012Validator
    validator.check_schema(schema)
    checking = validator(schema, format_checker=validator.FORMAT_CHECKER)

    def errors(record: dict[str, Any]) -> None:
        # What --json prints holds the records of all tanks.
        own = schema["$defs"]["report"] if "tanks" in record else schema
        errors = checking.evolve(schema=own).iter_errors(record)
        assert [f"{e.json_path}: {e.message[:200]}" for e in errors] == []

    return errors


def test_records_of_the_demo(check: Check) -> None:
    report = json.loads(report_json(demo()[1], "maturity-model weekly"))
    assert len(report["tanks"]) == 6
    check(report)
    with pytest.raises(AssertionError, match="slipped"):
        check({**report, "tanks": [{**report["tanks"][0], "slipped": [1.5]}]})


def test_records_of_every_kind_of_answer(check: Check) -> None:
    bloom = asked_tank(like=BLOOM)
    tanks = (
        lasting(example_tank(), 1),
        example_tank(cautions=(AMMONIA,), problems=(problem(), problem(MATURE))),
        alarmed(bloom, "something is wrong"),
        alarmed(bloom, "check the kit"),
        asked_tank(questions=plans_alone()),
    )
    for tank in tanks:
        check(record_of(tank))


def numbers(value: object) -> Iterator[float]:
    """Every number in an answer, or in a record, that is no count and finite."""
    if isinstance(value, np.ndarray):
        value = value.tolist()
    if isinstance(value, (list, tuple)):
        for item in value:
            yield from numbers(item)
    elif isinstance(value, dict):
        yield from numbers(list(value.values()))
    elif is_dataclass(value) and not isinstance(value, Plan):  # a plan stands there as text
        yield from numbers([getattr(value, f.name) for f in fields(value)])
    elif isinstance(value, float) and math.isfinite(value):
        yield value


def test_a_record_holds_every_number_of_the_answer() -> None:
    _, assessment = demo()
    for tank in assessment.tanks:
        record = json.loads(to_json(tank_record(tank, assessment, "cmd", assessment.phases)))
        # At the start there is nothing to slip to: null, with the reason.
        untold = numbers((tank.regression_low, tank.regression_high)) if tank.at_start else ()
        assert set(numbers(tank)) - set(numbers(record)) - set(untold) == set(), tank.tank.name


def plans_alone() -> Questions:
    questions = asked_tank().questions
    assert questions is not None
    return Questions(questions.risks, questions.first_passages)


def test_keys_are_null_where_nothing_was_asked() -> None:
    found = record_of(example_tank())
    assert all(found[k] is None for k in QUESTIONS)
    found = record_of(asked_tank(questions=plans_alone()))
    assert {k for k in QUESTIONS if found[k] is not None} == {"risk_if", "time_to_mature"}


def test_a_key_that_is_not_written_down_is_found(check: Check) -> None:
    record = record_of(example_tank())
    for changed in (
        {**record, "something": 1},
        {k: v for k, v in record.items() if k != "filtered"},
        {**record, "schema_version": machine.SCHEMA_VERSION + 1},
        {**record, "reach": {**record["reach"], "silent": None}},
        {**record, "slipped": [1.5]},
        {**record, "as_of": "5 June"},
    ):
        with pytest.raises(AssertionError):
            check(changed)


def test_the_schema_has_the_version_of_the_records() -> None:
    schema = json.loads(SCHEMA.read_text("utf-8"))
    assert schema["properties"]["schema_version"] == {"const": machine.SCHEMA_VERSION}
    assert schema["$id"].endswith(f":{machine.SCHEMA_VERSION}")
    record = record_of(example_tank())
    assert list(schema["properties"]) == list(record)
    assert json.loads(report_json(example_assessment(), "x"))["schema_version"] == (
        machine.SCHEMA_VERSION
    )
