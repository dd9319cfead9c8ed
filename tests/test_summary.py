"""The summary of a run: written as its JSON Schema says, read back as it was, every number with its unit.

The schema is checked by `jsonschema`, an independent implementation of JSON Schema draft 2020-12
(https://json-schema.org/draft/2020-12).
"""

from __future__ import annotations

import copy
import inspect
import json

import jsonschema
import pytest
from pydantic import ValidationError

from optimiser import read_scenario, run, vary, write_results
from optimiser.cli import main
from optimiser.starter import write_starter
from optimiser.studies.catalogue import STUDIES, usual
from optimiser.studies.stack import StackFigures
from optimiser.summary.run import SCHEMA_VERSION, SummaryFile, json_schema
from optimiser.summary.schemas import SCHEMAS
from optimiser.versions import LIBRARIES


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """One run of the starter's first three days, with a study asked for beside the usual, and its summary.json."""
    folder = tmp_path_factory.mktemp("summary")
    write_starter(folder / "site")
    studies = (*usual(), "stack", "reserve_cost", "life")
    made = run(vary(read_scenario(folder / "site"), {"timeline.days": 3}), studies=studies)
    return made, json.loads(write_results(made, folder / "out")["summary"].read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def checker():
    """The schema, itself checked against the schema of schemas."""
    jsonschema.Draft202012Validator.check_schema(json_schema())
    return jsonschema.Draft202012Validator(json_schema())


def test_what_is_written_keeps_the_schema(written, checker):
    """A run's summary.json is one of its own schema, and says of which version."""
    _, summary = written
    checker.validate(summary)
    assert SCHEMA_VERSION == summary["schema_version"]


@pytest.mark.parametrize(
    "path",
    ["headline.ceiling_saving", "proof.gap_relative", "provenance.code_sha256", "schema_version", "files"],
)
def test_what_is_left_out_breaks_the_schema(written, checker, path):
    """A summary without one of its keys is refused."""
    broken = copy.deepcopy(written[1])
    *above, last = path.split(".")
    part = broken
    for key in above:
        part = part[key]
    del part[last]
    with pytest.raises(jsonschema.ValidationError, match=last):
        checker.validate(broken)


def test_what_is_written_reads_back(written):
    """The file read by the model is the summary of the run."""
    made, summary = written
    back = SummaryFile.model_validate_json(json.dumps(summary))
    assert made.summary.as_dict() == {k: v for k, v in back.as_dict().items() if k != "files"}
    assert made.summary.headline.rested == back.headline.rested


def test_numbers_without_an_end_and_unknown_keys_are_refused(written):
    """NaN has no place in JSON (RFC 8259, section 6), and a misspelt key none in the summary."""
    headline = written[0].summary.headline
    with pytest.raises(ValidationError, match="finite"):
        type(headline)(**{**dict(headline), "ceiling_saving": float("nan")})
    with pytest.raises(ValidationError, match="ceiling_savings"):
        type(headline)(**dict(headline), ceiling_savings=1.0)


def test_figures_of_the_headline_say_their_unit():
    """Each number of the headline has words and a unit in the schema."""
    for name, field in json_schema()["$defs"]["Headline"]["properties"].items():
        if "number" in str(field):
            assert "[" in field["description"], name


def test_provenance_names_every_library(written):
    """What figures depend on is in the summary, library by library."""
    assert set(LIBRARIES) <= set(written[1]["provenance"])


@pytest.mark.parametrize("kind", SCHEMAS)
def test_the_command_prints_each_schema(kind, capsys):
    """`optimiser schema KIND` prints it: a schema by the schema of schemas, of the file as it is written."""
    main(["schema", kind], standalone_mode=False)
    printed = json.loads(capsys.readouterr().out)
    assert SCHEMAS[kind]() == printed
    jsonschema.Draft202012Validator.check_schema(printed)
    assert {"run", "files"} <= set(printed["required"])


def test_every_typed_study_stands_in_the_schema():
    """The schema holds each study that is typed, and each type is explained."""
    typed = {name: entry.figures for name, entry in STUDIES.items() if entry.figures is not None}
    assert set(typed) == set(json_schema()["properties"]["studies"]["properties"])
    for name, kind in typed.items():
        assert inspect.getdoc(kind), name


def test_what_studies_found_is_of_their_types(written, checker):
    """The starter's studies are read typed; a figure of another type is refused by type and schema."""
    made, summary = written
    typed = {name: STUDIES[name].figures for name in made.studies if STUDIES[name].figures is not None}
    assert {"patterns", "concentration", "stack", "reserve_cost"} <= set(typed)
    for name, kind in typed.items():
        assert summary["studies"][name] == made.summary.study(name, kind).model_dump(mode="json")
    broken = copy.deepcopy(summary)
    broken["studies"]["stack"]["services_add"] = "much"
    with pytest.raises(jsonschema.ValidationError, match="much"):
        checker.validate(broken)
    assert made.summary.study("no such study", StackFigures) is None
