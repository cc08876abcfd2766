"""How colours look to different eyes, and their contrast: from the standards, not from the package."""

from __future__ import annotations

import numpy as np
from matplotlib.colors import to_rgb

# Machado, Oliveira and Fernandes 2009, severity 1.0, linear RGB (matrices from memory; rows sum to 1) [machado2009]
BLINDNESS = {
    "none": np.eye(3),
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def linear(colour: str) -> np.ndarray:
    c = np.array(to_rgb(colour))
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)     # IEC 61966-2-1 (sRGB)


def cielab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b*, D65 (from memory)."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    t = to_xyz @ np.clip(rgb, 0, 1) / [0.9505, 1.0, 1.089]
    f = np.where(t > 0.008856, np.cbrt(t), 7.787 * t + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(a: str, b: str) -> float:
    """Contrast ratio of WCAG 2."""
    y = sorted(float(np.array([0.2126, 0.7152, 0.0722]) @ linear(c)) for c in (a, b))
    return (y[1] + 0.05) / (y[0] + 0.05)
