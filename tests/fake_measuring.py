"""A stand-in for the measuring modules: counts its calls and answers from a table."""

import sys
import types
from dataclasses import dataclass, field

from grainscan.errors import BlankNotFoundError
from tests import hand_made


@dataclass
class FakeMeasuring:
    """What each face shows; ``not_found`` names photographs without a blank."""

    angle_a_deg: float = 0.9
    angle_b_deg: float = 0.5
    spread_deg: float = 0.4
    not_found: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()
    calls: list = field(default_factory=list)

    def install(self, monkeypatch):
        """Put this in place of the faces' and the end's measuring functions."""
        face = types.ModuleType("grainscan.measure.face")
        face.measure_face = self.measure_face
        end = types.ModuleType("grainscan.measure.end")
        end.measure_end = self.measure_end
        monkeypatch.setitem(sys.modules, "grainscan.measure.face", face)
        monkeypatch.setitem(sys.modules, "grainscan.measure.end", end)
        return self

    def measure_face(
        self, pixels, *, photo, face, focal_35mm, length_mm, width_mm, outline=None, **_card
    ):
        known = {"face": face, "length_mm": length_mm, "width_mm": width_mm}
        self._call(photo, pixels, known | ({} if outline is None else {"outline": outline}))
        angle = self.angle_a_deg if face == "a" else self.angle_b_deg
        height, width = pixels.shape[:2]
        return hand_made.face(
            photo=photo, angle_deg=angle, spread_deg=self.spread_deg, size=(width, height)
        )

    def measure_end(self, pixels, *, photo, width_mm, height_mm, species, outline=None):
        known = {"width_mm": width_mm, "height_mm": height_mm, "species": species}
        self._call(photo, pixels, known | ({} if outline is None else {"outline": outline}))
        return hand_made.end(photo=photo)

    def _call(self, photo, pixels, known):
        assert pixels.ndim == 3
        self.calls.append((photo, known))
        if photo in self.not_found:
            raise BlankNotFoundError("no blank can be told from the background: use a plain one")
        if photo in self.broken:
            raise IndexError("a fault")
