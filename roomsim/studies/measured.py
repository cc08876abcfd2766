"""Measured impulse responses from WAV files to decay parameters: what `roomsim analyse` does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from ..analysis.decay import MEANING, PARAMETERS, DecayAnalysis, Flag
from ..analysis.impulse_response import (
    SpatialMean,
    analyse_impulse_response,
    checked_rate,
    checked_responses,
    spatial_mean,
)
from ..bands import nominal
from ..errors import DefinitionError, InvalidValue, Problem
from ..files.wav import read_wav


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredDecay:
    """Analysis of some files.

    Attributes
    ----------
    labels : a name per response: the file's, with the channel where a file has several
    rate_hz : sample rate of all files
    analysis : of every response
    mean : over the responses
    method : "survey", "engineering" or "precision", by whose number of positions the mean is judged
    responses : the impulse responses, one array each
    """

    labels: tuple[str, ...]
    rate_hz: float
    analysis: DecayAnalysis
    mean: SpatialMean
    method: str
    responses: tuple[np.ndarray, ...] = field(repr=False)

    def rows(self) -> list[dict[str, Any]]:
        """One flat row per response, band and parameter, then the means: for tables, CSV and JSON."""
        bands = ["broadband" if np.isnan(f) else nominal(float(f)) for f in self.analysis.band_hz]
        out = []
        for r, label in enumerate(self.labels):
            for b, band in enumerate(bands):
                for name in PARAMETERS:
                    out.append(_row(label, band, name, self.analysis[name][r, b], self.analysis.reasons(name, r, b)))
        for b, band in enumerate(bands):
            for name in PARAMETERS:
                bits = Flag(int(self.mean.flags[name][b]))
                row = _row("mean", band, name, self.mean.mean[name][b], _words(bits))
                row["standard_deviation"] = _finite(self.mean.standard_deviation[name][b])
                row["positions"] = int(self.mean.count[name][b])
                out.append(row)
        return out


def analyse_wavs(
    paths: Sequence[Path],
    *,
    channel: int | str | None = None,
    bands: str = "octave",
    low_hz: float = 63.0,
    high_hz: float = 8000.0,
    reverse_time: bool = True,
    rate_hz: float | None = None,
    method: str = "engineering",
) -> MeasuredDecay:
    """Read impulse responses from WAV files and find their decay parameters.

    Parameters
    ----------
    paths : WAV files of one sample rate
    channel : which channel of files with several, from 1, or "all" to take each as a response of its own
    bands, low_hz, high_hz, reverse_time : see analyse_impulse_response
    rate_hz : the rate the files must have, where it is known; catches a wrong header
    method : whose least number of positions the mean is judged by

    Raises
    ------
    DefinitionError : every problem of every file at once
    InvalidValue : an unknown kind of bands or method
    """
    labels: list[str] = []
    responses: list[np.ndarray] = []
    problems: list[Problem] = []
    rates: dict[float, str] = {}
    for path in map(Path, paths):
        try:
            wave = read_wav(path)
            rates.setdefault(checked_rate(wave.rate_hz), str(path))
            if rate_hz is not None and wave.rate_hz != rate_hz:
                raise InvalidValue("sample rate", wave.rate_hz, f"must be {rate_hz:g} Hz, as asked for",
                                   "is the header right?")
            for number, samples in _chosen(wave.samples, channel):
                responses += checked_responses(samples, wave.rate_hz)
                labels.append(path.name if len(wave.samples) == 1 else f"{path.name}, channel {number}")
        except InvalidValue as error:
            key = "" if error.key == "response 1" else error.key
            problems.append(Problem(key=key, value=error.value, rule=error.rule, cure=error.cure, file=str(path)))
        except DefinitionError as error:
            problems += error.problems
    if len(rates) > 1:
        said = ", ".join(f"{rate:g} Hz ({file})" for rate, file in rates.items())
        problems.append(Problem(key="sample rate", rule=f"must be the same in all files: {said}"))
    if not paths:
        problems.append(Problem(key="files", rule="there must be at least one"))
    if problems:
        raise DefinitionError(problems)
    rate = next(iter(rates))
    analysis = analyse_impulse_response(
        responses, rate, bands=bands, low_hz=low_hz, high_hz=high_hz, reverse_time=reverse_time
    )
    return MeasuredDecay(
        labels=tuple(labels), rate_hz=rate, analysis=analysis, mean=spatial_mean(analysis, method), method=method,
        responses=tuple(responses),
    )


def _chosen(samples: np.ndarray, channel: int | str | None) -> list[tuple[int, np.ndarray]]:
    count = len(samples)
    if count == 1 or channel == "all":
        return [(k + 1, one) for k, one in enumerate(samples)]
    if channel is None:
        raise InvalidValue("channels", count, "a mono file was expected",
                           f"say which channel holds the impulse response: 1 to {count}, or all")
    if not (isinstance(channel, int) and 1 <= channel <= count):
        raise InvalidValue("channel", channel, f"must be 1 to {count} or all")
    return [(channel, samples[channel - 1])]


def _row(label: str, band: str, name: str, value: float, reasons: Sequence[str]) -> dict[str, Any]:
    return {"response": label, "band": band, "parameter": name, "value": _finite(value), "flags": list(reasons)}


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _words(bits: Flag) -> list[str]:
    return [text for flag, text in MEANING.items() if flag & bits]
