"""A programme played in every case: its level at the seats, each channel alone and all at once, and the headroom."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..analysis.weighting import WEIGHTINGS, pink_weights, weighting_db
from ..bands import analysis_grid_hz, db, from_db
from ..constants import REFERENCE_PRESSURE_PA
from ..errors import InvalidValue
from ..loudspeaker.channels import PlacedDriver, channel_far_pressure
from ..loudspeaker.filters import Filter
from ..loudspeaker.output import PROGRAMME_CREST_DB, load_at_level
from ..programme import Programme
from .case import CaseResult
from .layout import Layout
from .plan import Case

if TYPE_CHECKING:
    import xarray

SUMS = ("power", "coherent")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Played:
    """A programme in one case.

    Attributes
    ----------
    alone_db : each channel alone, (n_channel, 3, n_listener): WEIGHTINGS [dB re 20 µPa]
    sums_db : all channels, (2, 3, n_listener): SUMS
    drive_db : rms at the input of a channel of 0 dB, re the drive that the design's data stand for
    headroom_db : of each channel of each loudspeaker, NaN without limits
    driver, cause : what limits each
    loudspeakers : label of each of these
    """

    alone_db: NDArray[np.float64]
    sums_db: NDArray[np.float64]
    drive_db: float
    headroom_db: tuple[float, ...]
    driver: tuple[str, ...]
    cause: tuple[str, ...]
    loudspeakers: tuple[str, ...]


def play(case: Case, result: CaseResult, programme: Programme, nominal_v: float | None) -> Played:
    """Levels and headroom of a programme in a case.

    Parameters
    ----------
    case, result : the case and what was found for it
    programme : what is played
    nominal_v : drive that the design's data stand for; only a programme with `drive_v` needs it

    Notes
    -----
    Pink noise, linear. The power sum is for channels with unlike signals, the coherent one for the same signal in
    all. A subwoofer's load is that of unlike signals.
    """
    f = case.frequency_hz
    pink = pink_weights(f, programme.low_hz, programme.high_hz)
    meters = np.array([pink * from_db(weighting_db(f, kind)) for kind in WEIGHTINGS])
    gain = np.array([10 ** (programme.channels_db.get(name, 0.0) / 20) for name in result.channels])[:, None, None]
    reference = float(from_db(result.reference_db))
    arrays = {name: result.arrays[name].astype(float) for name in ("level_db", "pressure_real", "pressure_imag")}
    square = from_db(arrays["level_db"]) * reference                  # re (20 µPa)², at the nominal drive
    pressure = (arrays["pressure_real"] + 1j * arrays["pressure_imag"]) / REFERENCE_PRESSURE_PA
    rest = np.maximum(square - np.abs(pressure) ** 2, 0)
    spectra = np.concatenate([
        square * gain**2, [(square * gain**2).sum(axis=0)],
        [np.abs((pressure * gain).sum(axis=0)) ** 2 + (rest * gain**2).sum(axis=0)],
    ])
    levels = db(np.einsum("clf,wf->cwl", spectra, meters))
    if programme.drive_v is not None:
        drive_db = 20 * math.log10(programme.drive_v / nominal_v)
    else:
        kind = WEIGHTINGS.index(programme.weighting)
        drive_db = programme.level_db - float(db(from_db(levels[-2, kind]).mean()))
    levels = levels + drive_db
    loads = [_load(drivers, inputs, case, programme, drive_db) for drivers, inputs in _fed(case, result, programme)]
    return Played(
        alone_db=levels[:-2], sums_db=levels[-2:], drive_db=drive_db,
        headroom_db=tuple(load[0] for load in loads), driver=tuple(load[1] for load in loads),
        cause=tuple(load[2] for load in loads), loudspeakers=_labels(case, result),
    )


def _fed(
    case: Case, result: CaseResult, programme: Programme
) -> list[tuple[tuple[PlacedDriver, ...], list[tuple[float, Filter]]]]:
    """Each channel of each loudspeaker with (level [dB], filter) of all that it is fed with."""
    levels = {name: programme.channels_db.get(name, 0.0) for name in case.channels}
    if case.system is None:
        return [(case.loudspeaker.channels[name], [(levels[name], Filter())]) for name in case.channels]
    filters = [
        Filter(gain_db=row["gain_db"], highpass_hz=row["highpass_hz"], lowpass_hz=row["lowpass_hz"])
        for row in result.receiver
    ]
    drivers = [part for one in case.system.loudspeakers(case.loudspeaker) for part in one.channels.values()]
    mains = len(drivers) - (case.system.receiver.subwoofer is not None)
    own = [[(levels[name], filters[k])] for k, name in enumerate(case.channels[:mains])]
    bass = [[(level, filters[mains]) for level in levels.values()]] if mains < len(drivers) else []
    return list(zip(drivers, own + bass, strict=True))


def _labels(case: Case, result: CaseResult) -> tuple[str, ...]:
    return case.channels if case.system is None else tuple(row["channel"] for row in result.receiver)


def _load(
    drivers: tuple[PlacedDriver, ...], inputs: list[tuple[float, Filter]], case: Case, programme: Programme,
    drive_db: float,
) -> tuple[float, str, str]:
    """Headroom [dB] of a channel, the driver that limits it, and why; NaN where it has no limits."""
    if not any(driver.limits for driver in drivers):
        return math.nan, "", ""
    air = case.room.air
    low, high = max(programme.low_hz, 10.0), programme.high_hz
    f = analysis_grid_hz(low, high, 24)
    signal = sum(from_db(level) * np.abs(one.response(f)) ** 2 for level, one in inputs) / f.size
    far = np.abs(channel_far_pressure(drivers, f, (1.0, 0.0, 0.0), air.speed_m_s)[0])
    level_db = float(db((signal * far**2).sum(), REFERENCE_PRESSURE_PA**2)) + drive_db
    try:
        load = load_at_level(
            drivers, level_db, speed_m_s=air.speed_m_s, density_kg_m3=air.density_kg_m3, low_hz=low, high_hz=high,
            spectrum_db=np.maximum(db(signal), -300),
        )
    except InvalidValue:                                    # it radiates nothing to its front
        return math.nan, "", ""
    worst = min(load.drivers, key=lambda one: one.headroom_db)
    return load.headroom_db, worst.name, worst.cause


class Heard:
    """The programme of a study, case by case, as arrays and metadata of its result."""

    def __init__(self, layout: Layout, programme: Programme, nominal_v: dict[str, float | None]) -> None:
        self._layout, self._programme, self._nominal_v = layout, programme, nominal_v
        sizes = (len(WEIGHTINGS), layout.sizes["listener"])
        self.alone = np.full((*layout.shape, layout.sizes["channel"], *sizes), np.nan, np.float32)
        self.sums = np.full((*layout.shape, len(SUMS), *sizes), np.nan, np.float32)
        self.drive, self.headroom = np.full(layout.shape, np.nan), np.full(layout.shape, np.nan)
        self._rows: list[dict[str, Any]] = []

    def add(self, k: int, case: Case, result: CaseResult) -> None:
        """Play it in one case."""
        labels = dict(case.labels)
        played = play(case, result, self._programme, self._nominal_v.get(str(labels["design"])))
        place, seats = self._layout.places[k], played.alone_db.shape[-1]
        self.alone[place][list(self._layout.rows[k]), :, :seats] = played.alone_db
        self.sums[place][..., :seats] = played.sums_db
        self.drive[place] = played.drive_db
        known = [value for value in played.headroom_db if math.isfinite(value)]
        self.headroom[place] = min(known) if known else math.nan
        self._rows.append({**labels, **_row(played, result.channels, self._nominal_v.get(str(labels["design"])))})

    def variables(self) -> dict[str, xarray.Variable]:
        """Variables of the result."""
        import xarray as xr

        leading = self._layout.leading
        return {
            "programme_level_db": xr.Variable((*leading, "channel", "weighting", "listener"), self.alone),
            "programme_sum_db": xr.Variable((*leading, "sum", "weighting", "listener"), self.sums),
            "programme_drive_db": xr.Variable(leading, self.drive),
            "headroom_db": xr.Variable(leading, self.headroom),
        }

    def metadata(self) -> dict[str, Any]:
        """What is played, and a row per case."""
        said = self._programme
        return {
            "signal": f"pink noise, {said.low_hz:g} to {said.high_hz:g} Hz, crest {PROGRAMME_CREST_DB:g} dB",
            "level_db": said.level_db, "weighting": said.weighting, "drive_v": said.drive_v,
            "channels_db": dict(said.channels_db), "cases": self._rows,
        }


def programme_note(programme: Programme, cases: int) -> dict[str, Any]:
    """What the levels of the programme take for granted, as an entry of the metadata list notes."""
    return {
        "code": "programme", "low_hz": None, "high_hz": None, "count": cases, "cases": "all",
        "text": "Levels of the programme are those of pink noise in linear loudspeakers; headroom counts mean power, "
                f"and cone travel at {PROGRAMME_CREST_DB:g} dB above the mean. Loud playback harms hearing and "
                "loudspeakers: headroom is no licence.",
    }


def _row(played: Played, channels: tuple[str, ...], nominal_v: float | None) -> dict[str, Any]:
    """One case in plain numbers: means over the seats (mean square, then dB)."""
    def means(levels: NDArray[np.float64]) -> dict[str, float]:
        return {kind: round(float(db(from_db(levels[w]).mean())), 2) for w, kind in enumerate(WEIGHTINGS)}

    drives = {} if nominal_v is None else {"drive_v": round(nominal_v * 10 ** (played.drive_db / 20), 4)}
    return {
        "power_sum": means(played.sums_db[0]), "coherent_sum": means(played.sums_db[1]),
        "alone": {name: means(levels) for name, levels in zip(channels, played.alone_db, strict=True)},
        "drive_db": round(played.drive_db, 2), **drives,
        "loads": [
            {"channel": label, "headroom_db": round(value, 1), "driver": driver, "cause": cause}
            for label, value, driver, cause in zip(
                played.loudspeakers, played.headroom_db, played.driver, played.cause, strict=True)
            if math.isfinite(value)
        ],
    }
