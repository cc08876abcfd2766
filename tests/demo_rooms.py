"""The demo's rooms without furniture, which the exact field does not know, and without the pieces of their settings."""

from __future__ import annotations

from typing import Any

FINISHES = {
    "small": {"back": "medium curtain"},
    "typical": {"back": "wood panelling", "left": "heavy curtain", "floor": "thin carpet on underlay"},
    "large": {"back": "heavy curtain", "floor": "thin carpet on underlay"},
}
"""What hangs and lies in them instead, on a whole face each."""


def bare(*labels: str) -> dict[str, Any]:
    """Changes that leave these rooms of the demo's study, bare, in their ordinary state."""
    changes: dict[str, Any] = {"settings": None}
    for label, finishes in FINISHES.items():
        if label in labels:
            changes |= {f"rooms.{label}.{key}": None for key in ("furniture", "adjustable", "settings")}
            changes |= {f"rooms.{label}.surfaces.{face}": name for face, name in finishes.items()}
        else:
            changes[f"rooms.{label}"] = None
    return changes
