"""Shared fixtures; under CI=true a skipped test fails."""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

import pytest

SHARED_DATA = Path(__file__).resolve().parents[2] / "shared" / "data"


@pytest.fixture(scope="session")
def shared_data() -> Path:
    """Folder of the open data that some tests need; it stands beside the checkout and is not shipped."""
    if not SHARED_DATA.is_dir():
        pytest.skip(f"open data not found at {SHARED_DATA}; see DEVELOPERS.md, section Tests")
    return SHARED_DATA


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo):
    outcome = yield
    report = outcome.get_result()
    if report.skipped and os.environ.get("CI") == "true" and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped under CI=true: {report.longrepr}"


@pytest.fixture(scope="session")
def made_result():
    """The maker of synthetic results in made_result.py."""
    path = Path(__file__).with_name("made_result.py")
    spec = importlib.util.spec_from_file_location("made_result", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.made_result
