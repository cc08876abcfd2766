"""Surface finishes: a table of absorption, a kind, and the complex impedance that follows from both."""

from __future__ import annotations

import csv
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .. import bands
from ..errors import InvalidValue, nearest
from .fitting import KINDS, Fit, band_absorption, fit
from .impedance import PARIS_MAXIMUM, Complexes, Floats, random_absorption, real_impedance

MATERIAL_KINDS = ("hard", *KINDS)

ASSUMPTION = "assumption"


class Material(Protocol):
    """What the engines and the statistics ask of a surface. Everything is locally reacting."""

    name: str
    kind: str                     # hard, panel, porous, curtain

    def impedance(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Normalised specific impedance ζ = Z/ρc, passive (Re ζ > 0), shape (n_frequency,), e^{+jωt}."""

    def absorption(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Random-incidence absorption as the statistics use it (table values, may exceed 1)."""

    def scattering(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Scattering coefficient 0 to 1, shape (n_frequency,)."""


def reflection_factor(
    impedance: ArrayLike, cos_incidence: ArrayLike
) -> NDArray[np.complex128]:
    """R = (ζ cosθ - 1) / (ζ cosθ + 1) of a locally reacting surface; shapes broadcast.

    References: [kuttruff2016] eq. 2.17 (from memory).
    """
    product = np.asarray(impedance) * np.asarray(cos_incidence)
    return (product - 1) / (product + 1)


class AbsorptionClipped(UserWarning):
    """A table exceeds what a locally reacting surface can absorb; engines use less."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finish:
    """A surface finish from a table of absorption.

    Attributes
    ----------
    name, kind : label; hard, panel, porous or curtain
    band_hz : exact midbands of the table, shape (n_band,)
    fraction : 1 for octave bands, 3 for third octaves
    table : random-incidence absorption per band, as printed (may exceed 1)
    scattering_table : scattering coefficient per band
    assumed : which bands of `table` are assumptions, shape (n_band,) of bool
    source, scattering_source : where the other numbers come from
    construction : known parameters of the kind's model, by name (see roomsim.room.fitting)

    Notes
    -----
    `impedance` follows the table through the kind's model (see `roomsim.room.fitting` for how and why);
    `fit_residual` says how closely. Table values above 0.951 cannot be reached by a locally reacting
    surface at random incidence: the engines use 0.951, the statistics the table. Outside the table the
    model extrapolates (a hard finish keeps its last value); `rests_on_assumption` marks that.
    """

    name: str
    kind: str
    band_hz: Floats
    table: Floats
    scattering_table: Floats
    assumed: NDArray[np.bool_]
    source: str
    scattering_source: str = ASSUMPTION
    fraction: int = 1
    construction: Mapping[str, float] = field(default_factory=dict)
    _fit: Fit | None = field(default=None, init=False, repr=False)
    _log: Floats | None = field(default=None, init=False, repr=False)

    def __post_init__(self) -> None:
        if self.kind not in MATERIAL_KINDS:
            raise InvalidValue("kind", self.kind, "must be one of " + ", ".join(MATERIAL_KINDS))
        for key, dtype in (("band_hz", float), ("table", float), ("scattering_table", float), ("assumed", bool)):
            array = np.array(getattr(self, key), dtype)
            array.setflags(write=False)
            object.__setattr__(self, key, array)
        count = self.band_hz.size
        if count == 0 or np.any(np.diff(self.band_hz) <= 0) or not np.all(self.band_hz > 0):
            raise InvalidValue("frequency_hz", list(self.band_hz), "must be rising midbands above 0")
        for key, top in (("table", 1.5), ("scattering_table", 1.0)):
            values = getattr(self, key)
            public = {"table": "absorption", "scattering_table": "scattering"}[key]
            if values.shape != (count,):
                raise InvalidValue(public, values.size, f"must have one value per band ({count})")
            bad = np.flatnonzero(~((values >= 0) & (values <= top)))     # catches NaN too
            if bad.size:
                value = float(values[bad[0]])
                cure = "is this a percentage?" if 1.5 < value <= 150 else ""
                raise InvalidValue(f"{public}[{bad[0]}]", value, f"must be 0 to {top:g}", cure)
        unknown = set(self.construction) - ({p.name for p in KINDS[self.kind][1]} if self.kind in KINDS else set())
        if unknown:
            names = ", ".join(p.name for p in KINDS[self.kind][1]) if self.kind in KINDS else "none"
            raise InvalidValue("construction", ", ".join(sorted(unknown)), f"kind {self.kind} knows {names}")
        for key, value in self.construction.items():
            if not 0 < value < np.inf:
                raise InvalidValue(f"construction.{key}", value, "must be above 0")
        object.__setattr__(self, "construction", dict(self.construction))

    @classmethod
    def from_table(cls, *, name: str, kind: str, frequency_hz: ArrayLike, absorption: ArrayLike,
                   scattering: ArrayLike | float = 0.1, source: str = "user",
                   assumed_hz: Sequence[float] = (), construction: Mapping[str, float] | None = None) -> Finish:
        """A finish from a user's table.

        Parameters
        ----------
        frequency_hz : nominal or exact midbands of octaves or third octaves, shape (n_band,), rising
        absorption : random-incidence absorption per band, 0 to 1.5
        scattering : one value or one per band
        assumed_hz : bands whose absorption is an assumption
        construction : known parameters of the kind's model, such as thickness_m and gap_m; they settle the phase

        Raises
        ------
        InvalidValue : unknown kind, bands that are no octaves or third octaves, values out of range

        Examples
        --------
        >>> wood = Finish.from_table(name="wood", kind="panel", frequency_hz=[125, 250, 500],
        ...                          absorption=[0.3, 0.2, 0.1])
        >>> wood.absorption(wood.band_hz)
        array([0.3, 0.2, 0.1])
        """
        exact, fraction = exact_bands_hz(frequency_hz)
        assumed = exact_bands_hz(assumed_hz)[0] if len(assumed_hz) else np.zeros(0)
        if stray := sorted(set(assumed) - set(exact)):
            raise InvalidValue("assumed_hz", bands.nominal(stray[0]), "is not a band of the table")
        one = np.ndim(scattering) == 0
        return cls(
            name=name, kind=kind, band_hz=exact, fraction=fraction, table=np.asarray(absorption, float),
            scattering_table=np.full(exact.shape, scattering) if one else np.asarray(scattering, float),
            assumed=np.isin(exact, assumed), source=source, scattering_source=ASSUMPTION if one else source,
            construction=construction or {},
        )

    def impedance(self, frequency_hz: ArrayLike) -> Complexes:
        """Passive ζ(f) of the kind's model, fitted to the table; shape (n_frequency,)."""
        f = np.asarray(frequency_hz, float)
        if self.kind == "hard":
            return np.exp(np.interp(np.log(f), np.log(self.band_hz), self._log_real)) + 0j
        return self.fitted.impedance(f.ravel()).reshape(f.shape)

    def absorption(self, frequency_hz: ArrayLike) -> Floats:
        """The table, linear in log f between midbands; outside it the model's course, joined without a step."""
        f = np.asarray(frequency_hz, float)
        values = np.asarray(np.interp(np.log(f), np.log(self.band_hz), self.table))
        if self.kind == "hard":
            return values
        for outside, edge in ((f < self.band_hz[0] * (1 - 1e-9), 0), (f > self.band_hz[-1] * (1 + 1e-9), -1)):
            if np.any(outside):
                course = random_absorption(self.impedance(f[outside]))
                course /= random_absorption(self.impedance(self.band_hz[edge]))
                values[outside] = self.table[edge] * course
        return values

    def scattering(self, frequency_hz: ArrayLike) -> Floats:
        """Scattering coefficient, linear in log f, the last values kept outside the table."""
        return np.interp(np.log(frequency_hz), np.log(self.band_hz), self.scattering_table)

    @property
    def fitted(self) -> Fit:
        """The fitted network of a panel, porous or curtain finish; fitted once."""
        if self._fit is None:
            self._warn_if_clipped()
            found = fit(self.kind, self.band_hz, self.table, self.fraction, self.construction)
            object.__setattr__(self, "_fit", found)
        return self._fit

    @property
    def _log_real(self) -> Floats:
        """ln ζ of a hard finish per band; computed once."""
        if self._log is None:
            self._warn_if_clipped()
            object.__setattr__(self, "_log", np.log(real_impedance(self.table)))
        return self._log

    def fit_residual(self) -> Floats:
        """Absorption of `impedance` in the table's bands minus the table clipped to 0.951, shape (n_band,)."""
        absorbed = band_absorption(self.impedance, self.band_hz, self.fraction)
        return absorbed - np.minimum(self.table, PARIS_MAXIMUM)

    def rests_on_assumption(self, frequency_hz: ArrayLike) -> NDArray[np.bool_]:
        """True where the nearest band is assumed or the frequency lies outside the table."""
        log_f, log_band = np.log(np.asarray(frequency_hz, float)), np.log(self.band_hz)
        half = np.log(bands.OCTAVE) / self.fraction / 2 + 1e-9
        near = np.abs(log_f[..., None] - log_band).argmin(axis=-1)
        return self.assumed[near] | (log_f < log_band[0] - half) | (log_f > log_band[-1] + half)

    @property
    def assumed_bands(self) -> tuple[str, ...]:
        """Nominal names of the bands whose absorption is an assumption."""
        return tuple(bands.nominal(f) for f in self.band_hz[self.assumed])

    @property
    def sources(self) -> tuple[str, ...]:
        """Source of each number of the table, "assumption" where there is none."""
        return tuple(ASSUMPTION if assumed else self.source for assumed in self.assumed)

    def _warn_if_clipped(self) -> None:
        if self.table.max() > PARIS_MAXIMUM:
            warnings.warn(
                f"{self.name}: absorption up to {self.table.max():.2f} in the table (edge effect of a finite sample); "
                f"image, ray and wave engines use at most 0.951, the statistics use the table",
                AbsorptionClipped, stacklevel=4,
            )


def exact_bands_hz(frequency_hz: ArrayLike) -> tuple[Floats, int]:
    """Exact base-ten midbands of nominal or exact ones, and whether they are octaves (1) or third octaves (3)."""
    given = np.atleast_1d(np.asarray(frequency_hz, float))
    if given.size == 0 or not np.all(np.isfinite(given) & (given > 0)):
        raise InvalidValue("frequency_hz", list(given), "must be midbands in Hz")
    steps = 10 * np.log10(given / 1000)
    index = np.round(steps)
    off = np.flatnonzero(np.abs(steps - index) > 0.15)
    if off.size:
        raise InvalidValue("frequency_hz", float(given[off[0]]), "is no octave or third-octave midband")
    fraction = 1 if np.all(index % 3 == 0) else 3
    return 1000 * 10 ** (index / 10), fraction


@cache
def catalogue() -> Mapping[str, Finish]:
    """The shipped finishes by name."""
    with (Path(__file__).parent / "finishes.csv").open(encoding="utf-8", newline="") as lines:
        rows = csv.DictReader((line for line in lines if not line.startswith("#")), delimiter=";")
        finishes = [_finish(row) for row in rows]
    return MappingProxyType({finish.name: finish for finish in finishes})


def material(name: str) -> Finish:
    """The shipped finish of that name.

    Raises
    ------
    InvalidValue : not in the catalogue; the nearest names are listed
    """
    known = catalogue()
    if name in known:
        return known[name]
    raise InvalidValue("material", name, "is not in the catalogue",
                       "did you mean " + ", ".join(nearest(name, list(known))) + "?")


def materials_table() -> list[dict[str, Any]]:
    """The catalogue as plain rows."""
    return material_rows(list(catalogue().values()))


def material_rows(finishes: Sequence[Any]) -> list[dict[str, Any]]:
    """Finishes and absorbers as plain rows.

    Each has name, kind, absorption and scattering per band, assumed bands, source, the model behind its impedance
    and the model's largest residual in a band (None for what has no table).
    """
    rows = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", AbsorptionClipped)
        for finish in finishes:
            tabled = isinstance(finish, Finish)
            band_hz = finish.band_hz if tabled else bands.OCTAVES_HZ
            names = [bands.nominal(f) for f in band_hz]
            values = finish.table if tabled else finish.absorption(band_hz).round(4)
            fitted = tabled and finish.kind != "hard"
            rows.append({
                "name": finish.name, "kind": finish.kind,
                "absorption": dict(zip(names, values.tolist(), strict=True)),
                "scattering": dict(zip(names, finish.scattering(band_hz).tolist(), strict=True)),
                "assumed_bands": list(finish.assumed_bands) if tabled else [],
                "source": finish.source,
                "scattering_source": finish.scattering_source if tabled else ASSUMPTION,
                "model": finish.fitted.described if fitted else {} if tabled else finish.described,
                "worst_residual": float(np.abs(finish.fit_residual()).max()) if tabled else None,
            })
    return rows


def _finish(row: Mapping[str, str]) -> Finish:
    numbers = {key: [float(part) for part in row[key].split()] for key in ("absorption", "scattering")}
    assumed = [bands.nominal(f) for f in bands.OCTAVES_HZ] if row["assumed"] == "all" else row["assumed"].split()
    known = dict(part.split("=") for part in row["construction"].split())
    return Finish(
        name=row["name"], kind=row["kind"], band_hz=bands.OCTAVES_HZ, table=np.array(numbers["absorption"]),
        scattering_table=np.array(numbers["scattering"]),
        assumed=np.isin([bands.nominal(f) for f in bands.OCTAVES_HZ], assumed),
        source=row["source"], construction={key: float(value) for key, value in known.items()},
    )
