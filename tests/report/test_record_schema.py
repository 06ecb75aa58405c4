"""The records' schema: whatever a tank's record holds, it is written down there."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from assessment.assessed import demo
from report.example import AMMONIA, example_assessment, example_tank, problem
from report.page_tree import record_of
from report.question_example import asked_tank, example_questions

from maturity_model.assessment.plan import Plan, Step
from maturity_model.report import machine, report_json

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
        found = [f"{e.json_path}: {e.message[:200]}" for e in checking.iter_errors(record)]
        assert found == []

    return errors


def test_records_of_the_demo(check: Check) -> None:
    records = json.loads(report_json(demo()[1], "maturity-model weekly"))["tanks"]
    assert len(records) == 6
    for record in records:
        check(record)


def test_records_of_every_kind_of_answer(check: Check) -> None:
    plan = Plan("overfeeding=3", (Step("overfeeding", 3.0),))
    questions = example_questions(plans=(plan,))
    tanks = (
        example_tank(weeks=1, course="new"),
        example_tank(cautions=(AMMONIA,), problems=(problem(), problem("Window reef"))),
        asked_tank(alarm="something is wrong", mature=False, plans=(plan,)),
        asked_tank(alarm="check the kit"),
        replace(
            example_tank(), questions=type(questions)(questions.risks, questions.first_passages)
        ),
    )
    for tank in tanks:
        check(record_of(tank))


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
