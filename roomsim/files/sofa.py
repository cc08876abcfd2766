"""AES69 (SOFA) files of directivity: read and write."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ..errors import DefinitionError, InvalidValue, Problem, shown
from ..loudspeaker.measured import MeasuredDirectivity, trusted_range
from ..sphere import unit_vectors


def read_directivity(path: Path, name: str | None = None, *, radius_m: float = 0.2) -> MeasuredDirectivity:
    """Directivity in an AES69 file."""
    import sofar

    try:
        sofa = sofar.read_sofa(str(path), verify=False, verbose=False)
    except Exception as error:
        raise DefinitionError([Problem(key="", file=str(path), rule=f"cannot be read as AES69 ({shown(error, 160)})")]) from error
    if sofa.GLOBAL_SOFAConventions != "FreeFieldDirectivityTF":
        raise DefinitionError([Problem(key="SOFAConventions", value=sofa.GLOBAL_SOFAConventions, file=str(path), rule="must be FreeFieldDirectivityTF")])
    position = np.asarray(sofa.ReceiverPosition, float)
    directions = unit_vectors(position[:, 0], position[:, 1])
    f = np.asarray(sofa.N, float)
    values = (np.asarray(sofa.Data_Real)[0] + 1j * np.asarray(sofa.Data_Imag)[0]) * position[:, 2:3]
    has_phase = bool(np.any(values.imag) or np.any(values.real < 0))
    low, high = trusted_range(f, np.mean(np.abs(values) ** 2, axis=0))
    try:
        return MeasuredDirectivity(
            name=name or Path(path).stem, frequency_hz=f, directions=directions, values=values,
            has_phase=has_phase, low_hz=low, high_hz=high, distance_m=float(position[0, 2]), radius_m=radius_m,
        )
    except InvalidValue as error:
        raise DefinitionError([Problem(key=error.key, value=error.value, rule=error.rule, cure=error.cure, file=str(path))]) from error
