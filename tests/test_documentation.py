"""What the README, the help texts and the list of keys promise is there, and nothing that is there is missing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import jsonschema
import pytest
import typer
import yaml
from pydantic import BaseModel

from roomsim.cli import app, main
from roomsim.definitions import schema
from roomsim.definitions.json_schema import models
from roomsim.definitions.key_list import KIND_WORDS, key_list

README = (Path(__file__).resolve().parents[1] / "README.md").read_text("utf-8")
COMMANDS = typer.main.get_command(app).commands
KINDS = tuple(models())


def test_the_readme_names_every_command_and_no_other():
    table = set(re.findall(r"^\| `roomsim ([a-z-]+)", README, re.MULTILINE))
    assert table == set(COMMANDS)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_help_has_an_example_and_a_word_on_every_option(name, capsys):
    assert main([name, "--help"]) == 0
    text = capsys.readouterr().out
    assert re.search(rf"Examples?:\s+roomsim {name}", text), text
    for option in COMMANDS[name].params:
        if option.name != "help":
            assert getattr(option, "help", None), (name, option.name)
            shown = max(option.opts, key=len) if option.param_type_name == "option" else option.metavar or option.name
            assert shown.strip("[]{}") in text or option.name.upper() in text


def fields(model: type[BaseModel], inside: tuple[type, ...] = ()) -> Iterator[str]:
    """Names of all fields of a model and of the models in it, found without the schema."""
    for name, field in model.model_fields.items():
        yield field.alias or name
        for inner in inner_models(field.annotation):
            if inner not in inside:
                yield from fields(inner, (*inside, inner))


def inner_models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from inner_models(part)


@pytest.mark.parametrize("kind", KINDS)
def test_the_list_of_keys_is_complete(kind):
    keys = key_list(kind)
    assert {re.split(r"[.]", key.place)[-1].removesuffix("[]") for key in keys} >= set(fields(models()[kind]))
    assert all(key.what for key in keys) and kind in KIND_WORDS
    assert len({key.place for key in keys}) >= len(set(fields(models()[kind])))


def test_keys_are_printed_and_schemas_too(capsys):
    assert main(["schema", "room", "--text"]) == 0
    text = capsys.readouterr().out
    assert "patches[].material\n" in text and "number, 1.5 to" in text
    assert main(["schema", "study"]) == 0
    assert '"$schema"' in capsys.readouterr().out
    assert main(["schema", "cabin", "--json"]) == 2


@pytest.mark.parametrize("block", re.findall(r"```yaml\n(.*?)```", README, re.DOTALL))
def test_yaml_of_the_readme_has_the_right_shape(block):
    data = yaml.safe_load(block)
    kind = next(iter(data))
    if kind in KINDS:
        jsonschema.validate(data, schema(kind))
    else:                       # an excerpt: each of its keys is a key of some kind of file
        known = [schema(kind)["properties"] for kind in KINDS]
        assert all(any(key in keys for keys in known) for key in data)
