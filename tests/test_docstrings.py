"""The examples in docstrings run and say what comes out; every public function has one.

`quick_result()` in them stands for the result of a small study: the demo's typical room in its ordinary state with
three seats, both designs.
"""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import numpy as np
import pytest

import roomsim

SMALL = {"rooms.small": None, "rooms.large": None, "settings": ["ordinary"], "seats.count": 3,
         "frequency.per_octave": 6}
PUBLIC = sorted(set(roomsim.__all__) - {"__version__", "figures", "report", "RoomsimError", "DefinitionError"})


@pytest.fixture(scope="module")
def quick(tmp_path_factory):
    return roomsim.predict(roomsim.load(roomsim.write_demo(tmp_path_factory.mktemp("quick")), changes=SMALL))


@pytest.fixture
def names(quick, tmp_path, monkeypatch):
    import xarray as xr

    monkeypatch.chdir(tmp_path)
    return {"roomsim": roomsim, "np": np, "xr": xr, "quick_result": lambda: quick}


def modules():
    for found in pkgutil.walk_packages(roomsim.__path__, "roomsim."):
        if not found.name.endswith("__main__"):
            yield found.name


@pytest.mark.parametrize("name", list(modules()))
def test_examples_say_what_comes_out(name, names):
    module = importlib.import_module(name)
    result = doctest.testmod(module, extraglobs=names, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert result.failed == 0


@pytest.mark.parametrize("name", PUBLIC)
def test_public_functions_have_an_example(name):
    assert ">>>" in (getattr(roomsim, name).__doc__ or ""), f"roomsim.{name} shows no example"


def test_the_report_and_the_figures_have_examples():
    from roomsim.report.write import write_report

    assert ">>>" in write_report.__doc__ and ">>>" in roomsim.figures.curves.__doc__
