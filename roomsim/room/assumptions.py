"""What a room's numbers take for granted: finishes, absorbers, furniture, openings."""

from __future__ import annotations

from dataclasses import dataclass

from ..bands import OCTAVES_HZ, nominal
from .absorbers import Absorber
from .impedance import PARIS_MAXIMUM
from .materials import Finish
from .openings import Opening
from .room import Room


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """One thing taken for granted.

    Attributes
    ----------
    code : short and stable, for programs
    text : for people, one sentence
    """

    code: str
    text: str


def room_assumptions(room: Room) -> tuple[Assumption, ...]:
    """One entry per finish, absorber, opening and kind of furniture that rests on more than a published number."""
    said = [one for part in room.parts() for one in _of_material(part.material)]
    said += [Assumption(code="furniture-assumed", text=f"{item.name}: {item.assumed}.")
             for item in room.furniture if item.assumed]
    if room.geometry.obstacles:
        names = ", ".join(dict.fromkeys(one.name for one in room.geometry.obstacles))
        said.append(Assumption(code="obstacles",
                               text=f"{names}: a closed box that reflects and blocks sound with sharp edges, as light "
                                    "would be; sound that bends round it is left out above the exact field's range."))
    if room.furniture:
        said.append(Assumption(code="furniture-spread",
                               text="Furniture counts as spread over the room, wherever it stands."))
    return tuple(dict.fromkeys(said))


def _of_material(material: object) -> list[Assumption]:
    name = getattr(material, "name", "a finish")
    if isinstance(material, Opening) and material.gives_back:
        return [Assumption(code="opening",
                           text=f"{name}: what comes back from the space behind comes scattered and at once; that "
                                "space has no decay of its own.")]
    if isinstance(material, Opening):
        return [Assumption(code="opening",
                           text=f"{name}: what leaves does not come back; the space behind is not modelled.")]
    if isinstance(material, Absorber):
        return [Assumption(
            code="absorber-computed",
            text=f"{name}: computed from its construction as a locally reacting surface without edges; a finite sample "
                 "in a laboratory absorbs more.")]
    if not isinstance(material, Finish):
        return []
    said = []
    rests = material.rests_on_assumption(OCTAVES_HZ)
    if rests.all():
        said.append(Assumption(code="material-assumed", text=f"{name}: absorption is an assumption in every band."))
    elif rests.any():
        names = ", ".join(nominal(f) for f in OCTAVES_HZ[rests])
        said.append(Assumption(code="material-assumed", text=f"{name}: absorption at {names} Hz is an assumption."))
    if (top := float(material.table.max())) > PARIS_MAXIMUM:
        said.append(Assumption(
            code="absorption-clipped",
            text=f"{name}: absorbs up to {top:.2f} by its table (edges of a finite sample); the formulas take that, "
                 "the engines at most 0.951."))
    return said
