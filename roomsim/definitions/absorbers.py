"""Absorbers by construction: the schema, and the absorber that comes of it."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from ..room import absorbers as built
from .fields import Model, choice, items, number, yes_no

LAYERS = 12
_SIGMA = (100, 1e7, "Pa s/m²")
_FILL = "flow resistivity of wool that fills the gap"


class PorousModel(Model):
    thickness_m: number(1e-4, 2, "m") = Field(description="thickness of the layer")
    flow_resistivity_pa_s_m2: number(*_SIGMA) = Field(
        description="flow resistivity of the material; mineral wool has 5000 to 50000"
    )
    gap_m: number(0, 5, "m") = Field(0.0, description="air gap between the layer and the wall")
    model: choice(*built.MODELS) = Field("miki", description="regression for the material; delany-bazley is no good "
                                                             "at low frequencies and there for comparison")


class LayerModel(Model):
    thickness_m: number(1e-4, 2, "m") = Field(description="thickness of the layer or air gap")
    flow_resistivity_pa_s_m2: number(*_SIGMA) = Field(0.0, description="flow resistivity; left out for air")


class MembraneModel(Model):
    mass_kg_m2: number(0.01, 500, "kg/m²") = Field(description="mass of the sheet per area")
    depth_m: number(1e-3, 5, "m") = Field(description="depth of the gap behind it")
    resistance: number(0, 1e4) = Field(1.0, description="losses of sheet and edges, in multiples of ρc")
    fill_flow_resistivity_pa_s_m2: number(*_SIGMA) = Field(0.0, description=_FILL)


class PerforatedModel(Model):
    thickness_m: number(1e-4, 2, "m") = Field(description="thickness of the panel")
    hole_diameter_m: number(1e-5, 0.1, "m") = Field(description="diameter of the round holes")
    open_fraction: number(1e-4, 0.8) = Field(description="area of the holes over area of the panel")
    depth_m: number(1e-3, 5, "m") = Field(description="depth of the gap behind the panel")
    fill_flow_resistivity_pa_s_m2: number(*_SIGMA) = Field(0.0, description=_FILL)


class CurtainModel(Model):
    resistance: number(1e-4, 1e4) = Field(description="flow resistance of the cloth, in multiples of ρc (413 Pa s/m)")
    mass_kg_m2: number(0.01, 500, "kg/m²") = Field(description="mass per area of wall, folds counted")
    gap_m: number(1e-4, 5, "m") = Field(description="mean distance from the wall")
    folded: yes_no() = Field(True, description="false for a stretched cloth at a fixed distance")


class AbsorberModel(Model):
    """One way to say how an absorber is built."""

    porous: PorousModel = Field(None, description="fibrous or open-cell layer, with or without an air gap behind it")
    layers: items(LayerModel, LAYERS, "layers") = Field(None, description="layers and gaps from the room to the wall")
    membrane: MembraneModel = Field(None, description="limp or loosely held sheet on a shallow air spring")
    perforated: PerforatedModel = Field(None, description="panel with round holes before a gap")
    micro_perforated: PerforatedModel = Field(None, description="panel with holes of less than a millimetre")
    curtain: CurtainModel = Field(None, description="cloth in front of the wall")


CONSTRUCTIONS = tuple(AbsorberModel.model_fields)

_CLASSES: dict[str, Any] = {
    "porous": built.PorousAbsorber, "membrane": built.MembraneAbsorber, "perforated": built.PerforatedPanel,
    "micro_perforated": built.MicroPerforatedPanel, "curtain": built.CurtainAbsorber,
}


def absorber(name: str, construction: str, said: Any, *, scattering: float, source: str) -> built.Absorber:
    """The absorber that a construction describes."""
    shared = {"name": name, "scatter": scattering, "source": source}
    if construction == "layers":
        layers = [(layer.thickness_m, layer.flow_resistivity_pa_s_m2) for layer in said]
        return built.LayeredAbsorber(layers=layers, **shared)
    return _CLASSES[construction](**said.model_dump(), **shared)
