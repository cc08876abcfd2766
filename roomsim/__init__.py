"""Predicts how a loudspeaker design sounds in the rooms its buyers have.

Three verbs, and the physics as plain functions in the packages below:

    study = roomsim.load("study.yaml")
    result = roomsim.predict(study)
    roomsim.report(result, "out/")
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from . import figures
    from .analysis.comparing import difference_curves
    from .analysis.peaks import find_peaks
    from .analysis.seats import band_level_db, channel_sum_db, seat_average_db, seat_spread_db, smoothed_db
    from .analysis.target import Target
    from .analysis.verdict import judge
    from .definitions import check, load
    from .demo import write_demo
    from .errors import DefinitionError, RoomsimError
    from .files.netcdf import read_netcdf as open_result
    from .report.balance import reflection_rows as reflections
    from .report.table import table_rows as table
    from .report.write import write_report as report
    from .studies.draws import uncertainty
    from .studies.recommended import hold_result, hold_room
    from .studies.run import predict
    from .studies.sensitivity import sensitivity

# public name -> module and name there; imported when first used
_PUBLIC = {
    "load": ("definitions", "load"),
    "check": ("definitions", "check"),
    "predict": ("studies.run", "predict"),
    "hold_result": ("studies.recommended", "hold_result"),
    "hold_room": ("studies.recommended", "hold_room"),
    "sensitivity": ("studies.sensitivity", "sensitivity"),
    "open_result": ("files.netcdf", "read_netcdf"),
    "table": ("report.table", "table_rows"),
    "difference_curves": ("analysis.comparing", "difference_curves"),
    "find_peaks": ("analysis.peaks", "find_peaks"),
    "uncertainty": ("studies.draws", "uncertainty"),
    "judge": ("analysis.verdict", "judge"),
    "Target": ("analysis.target", "Target"),
    "seat_average_db": ("analysis.seats", "seat_average_db"),
    "channel_sum_db": ("analysis.seats", "channel_sum_db"),
    "programme_sum_db": ("analysis.weighting", "programme_sum_db"),
    "coherent_sum_db": ("analysis.weighting", "coherent_sum_db"),
    "band_level_db": ("analysis.seats", "band_level_db"),
    "smoothed_db": ("analysis.seats", "smoothed_db"),
    "seat_spread_db": ("analysis.seats", "seat_spread_db"),
    "reflections": ("report.balance", "reflection_rows"),
    "write_demo": ("demo", "write_demo"),
    "RoomsimError": ("errors", "RoomsimError"),
    "DefinitionError": ("errors", "DefinitionError"),
}

__all__ = [
    "DefinitionError",
    "RoomsimError",
    "Target",
    "__version__",
    "band_level_db",
    "channel_sum_db",
    "check",
    "coherent_sum_db",
    "difference_curves",
    "figures",
    "find_peaks",
    "hold_result",
    "hold_room",
    "judge",
    "load",
    "open_result",
    "predict",
    "programme_sum_db",
    "reflections",
    "report",
    "seat_average_db",
    "seat_spread_db",
    "sensitivity",
    "smoothed_db",
    "table",
    "uncertainty",
    "write_demo",
]


def __getattr__(name: str) -> Any:
    import importlib

    if name in ("report", "figures"):   # `report` is a package that can be called, see there
        return importlib.import_module(f".{name}", __name__)
    if name not in _PUBLIC:
        raise AttributeError(f"module 'roomsim' has no attribute {name!r}")
    module, attribute = _PUBLIC[name]
    value = getattr(importlib.import_module(f".{module}", __name__), attribute)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
