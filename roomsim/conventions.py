"""Axes, signs and references, written once. DEVELOPERS.md draws the two frames.

Room frame (right-handed): origin at the floor corner that is front-left for someone who faces the
front wall from inside; x from the front wall into the room, y from left to right, z up.

Loudspeaker frame (that of AES69): x out of its front, y to its own left, z up; origin at the centre of
the baffle. A loudspeaker on the front wall is only translated, so the left channel of a bar (at the
listener's left) has a negative y.

Directions: azimuth from x towards y, elevation from the x-y plane up, both in degrees. Arrival directions
are given in the listener's frame: 0° towards the loudspeaker, positive to the left, elevation up.

Time factor e^{+jωt}. Pressures are complex rms amplitudes, so |p|² is the mean-square pressure.
A directivity D is pressure times distance in the far field [Pa m]; free field p = D e^{-jkr} / r.
The sound power is W = ∮|D|² dΩ / (ρc).
"""

from __future__ import annotations

BOX_FACES = ("front", "back", "left", "right", "floor", "ceiling")
"""Names of a box's faces: x = 0, x = length, y = 0, y = width, z = 0, z = height."""

RESULT_DIMENSIONS = ("design", "room", "setting", "place")
"""Leading dimensions of a result; then the vary keys, then channel, listener, frequency or band."""

HAND_OVER_S = 0.08
"""Early sound ends this long after the direct sound at each seat."""

HAND_OVER_FADE_S = 0.008
"""Images fade out from this long before the hand-over to this long after it. A sharp cut in time would leak every
mode's energy into its neighbours, once in the images and once more in the late energy (0.2 to 0.3 dB)."""

EARLY_WINDOW_MS = 15.0
"""Reference listening rooms are judged by the reflections that arrive so soon after the direct sound."""

LISTED_DB = -20.0
"""In that time every reflection of at least this level re the direct sound is listed."""

DIRECT_S = 0.001
"""Images in the mounting surface that arrive within this time belong to the direct sound."""
