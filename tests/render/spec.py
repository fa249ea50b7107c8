"""What is rendered: the wood and its shape (`BlankSpec`), and how it is photographed (`PhotoSpec`).

Frames. The blank's own: z along the length to the marked right end, x out of face A, y out of
face B. Face A is seen with z right and −y up, face B with z right and +x up, the right-hand end
with −y right and x up. Lengths are millimetres, angles degrees, pictures pixels.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

SPECIES: dict[str, tuple[str, ...]] = {
    "ring-porous": ("white ash", "white oak", "red oak"),
    "diffuse-porous": ("sugar maple", "beech", "yellow birch"),
    "softwood": ("pine", "spruce"),
}
KIND_OF = {name: kind for kind, names in SPECIES.items() for name in names}
SCENES = ("clean", "clutter", "wood-on-wood", "tilt", "hard", "square")
CONTENTS = ("blank", "none", "two", "cut")
END_CONDITIONS = ("clean", "rough", "checked")
MARKS = ("pencil-across", "pencil-along", "saw", "drawknife", "stain")


SUITES = (*SCENES, "knots")


@dataclass(frozen=True)
class Knot:
    """A branch that runs from the pith to the bark, on the side of the pith where the blank lies.

    ``at``: along the length; ``offset_mm``: its axis from the radius through the blank's middle.
    ``ended_mm``: distance from the pith at which the branch died; later wood has grown over it
    (None: it reaches the bark). ``bark``: its own bark is left between it and the wood.
    """

    at: float
    radius_mm: float
    offset_mm: float = 0.0
    ended_mm: float | None = None
    bark: bool = False


@dataclass(frozen=True)
class BlankSpec:
    """A blank and the log it came from.

    ``runout_a_deg``, ``runout_b_deg``: mean fibre angle against the blank's axis as seen on face
    A and face B (positive counter-clockwise). ``pith_azimuth_deg``: where the pith lies from the
    section's centre, counter-clockwise from the right on the end photo. ``spiral_deg``: lean of
    the fibres in the tangential plane against the log's axis at the blank. ``log_bow_*_mm``: bend
    of the log over the blank's length; a riven blank follows it, a sawn one is cut across it.
    """

    seed: int
    name: str
    species: str
    kind: str
    made: str
    part: str
    width_mm: float
    height_mm: float
    length_mm: float
    runout_a_deg: float = 0.0
    runout_b_deg: float = 0.0
    pith_distance_mm: float = 80.0
    pith_azimuth_deg: float = -90.0
    log_radius_mm: float = 160.0
    spiral_deg: float = 0.0
    spiral_change_deg: float = 0.0  # over 50 mm of radius
    taper_mm_per_m: float = 10.0  # of the log's diameter
    log_bow_x_mm: float = 0.0
    log_bow_y_mm: float = 0.0
    wander_deg: float = 0.4  # typical local swing of the fibres
    wander_wavelength_mm: float = 250.0
    mean_ring_mm: float = 2.2
    ring_variation: float = 0.3
    ring_irregularity_mm: float = 0.2
    edge_roughness_mm: float = 0.0
    wind_deg: float = 0.0
    width_taper: float = 0.0
    height_taper: float = 0.0
    squareness_deg: float = 0.0
    end_cut_a_deg: float = 0.0
    end_cut_b_deg: float = 0.0
    arris_mm: float = 0.3
    contrast: float = 1.0
    vessel_length_mm: float = 14.0
    sap_edge_mm: float = 0.0
    knots: tuple[Knot, ...] = ()
    checks: int = 0
    notes: str = ""


@dataclass(frozen=True)
class PhotoSpec:
    """How the three photographs are taken. The ``*_max`` are drawn afresh for each photograph."""

    scene: str = "clean"
    width_px: int = 3000
    height_px: int = 2000
    end_width_px: int = 1600
    end_height_px: int = 1200
    focal_35mm: float = 26.0
    end_focal_35mm: float = 65.0
    tilt_max_deg: float = 4.0
    roll_max_deg: float = 3.0
    occupancy: float = 0.8  # of the picture's width; for the end, of its height
    end_occupancy: float = 0.62
    k1_max: float = 0.0
    blur_px: float = 0.8
    noise: float = 0.006
    sharpen: float = 0.25
    jpeg_quality: int = 91
    exposure: float = 1.0
    light_gradient: float = 0.15
    vignette: float = 0.12
    shadow_edge: bool = False
    background: str | None = None
    end_condition: str = "clean"
    marks: tuple[str, ...] = ()
    content: str = "blank"
    shots: tuple[str, ...] = ("face_a", "face_b", "end")
    part: tuple[float, float] | None = None  # shares of the length that fill the picture
    card: str | None = None  # "bench" or "level" (with the photographed face)
    card_hidden: float = 0.0  # share of its length


PARTS: tuple[tuple[str, tuple[float, float], tuple[float, float], tuple[float, float]], ...] = (
    # part, width, height and length ranges
    ("chair rung", (20, 32), (20, 32), (330, 520)),
    ("chair slat", (40, 60), (12, 18), (380, 520)),
    ("chair post", (36, 52), (36, 52), (450, 700)),
    ("rake tine", (14, 20), (14, 20), (250, 300)),
    ("hammer handle", (28, 40), (22, 32), (330, 420)),
    ("lath", (25, 40), (12, 16), (400, 650)),
    ("bending blank", (25, 40), (18, 28), (500, 700)),
)


def random_blank(
    seed: int,
    species_kind: str | None = None,
    made: str | None = None,
    **overrides: Any,
) -> BlankSpec:
    """A blank drawn from ``seed``; any field of `BlankSpec` can be set by name."""
    rng = np.random.default_rng([seed, 1])
    kind = species_kind or str(rng.choice(list(SPECIES)))
    species = str(rng.choice(SPECIES[kind]))
    made_ = made or str(rng.choice(["riven", "sawn"]))
    part, width, height, length = PARTS[int(rng.integers(len(PARTS)))]
    riven = made_ == "riven"
    runout = rng.normal(0, 0.5, 2) if riven else rng.uniform(-1, 1, 2) * rng.choice([1.5, 4, 8])
    log_radius = float(rng.uniform(80, 250))
    spec = BlankSpec(
        seed=seed,
        name=f"blank-{seed:04d}",
        species=species,
        kind=kind,
        made=made_,
        part=part,
        width_mm=float(rng.uniform(*width)),
        height_mm=float(rng.uniform(*height)),
        length_mm=float(rng.uniform(*length)),
        runout_a_deg=float(runout[0]),
        runout_b_deg=float(runout[1]),
        pith_distance_mm=float(rng.uniform(28, max(40.0, min(150.0, log_radius - 15)))),
        pith_azimuth_deg=float(rng.uniform(-180, 180)),
        log_radius_mm=log_radius,
        spiral_deg=float(np.clip(rng.normal(0, 2.2), -6, 6)),
        spiral_change_deg=float(rng.normal(0, 0.4)),
        taper_mm_per_m=float(rng.uniform(5, 20)),
        log_bow_x_mm=float(rng.normal(0, 2.0)),
        log_bow_y_mm=float(rng.normal(0, 2.0)),
        wander_deg=float(rng.uniform(0.1, 0.8)),
        wander_wavelength_mm=float(rng.uniform(120, 450)),
        mean_ring_mm=float(rng.uniform(1.1, 3.6)),
        ring_variation=float(rng.uniform(0.15, 0.4)),
        ring_irregularity_mm=float(rng.uniform(0.05, 0.35)),
        edge_roughness_mm=float(0.1 + 0.5 * rng.beta(1.2, 2.5))
        if riven
        else float(rng.uniform(0, 0.06)),
        wind_deg=float(rng.normal(0, 0.8)) if riven else 0.0,
        width_taper=float(rng.uniform(-0.05, 0.05)) if riven else 0.0,
        height_taper=float(rng.uniform(-0.05, 0.05)) if riven else 0.0,
        squareness_deg=float(rng.normal(0, 1.2)) if riven else float(rng.normal(0, 0.2)),
        end_cut_a_deg=float(rng.normal(0, 0.8)),
        end_cut_b_deg=float(rng.normal(0, 0.8)),
        arris_mm=float(rng.uniform(0.2, 0.7)) if riven else float(rng.uniform(0.1, 0.4)),
        contrast=float(rng.uniform(0.8, 1.2)),
        vessel_length_mm=float(rng.uniform(7, 25)),
    )
    return replace(spec, **overrides)


def random_photo(seed: int, scene: str = "clean", **overrides: Any) -> PhotoSpec:
    """A way of photographing drawn from ``seed``; any field can be set by name."""
    rng = np.random.default_rng([seed, 2])
    spec = PhotoSpec(
        scene=scene,
        focal_35mm=float(rng.integers(24, 31)),
        end_focal_35mm=float(rng.choice([48, 52, 65, 77])),
        tilt_max_deg=5.0,
        roll_max_deg=float(rng.uniform(0.5, 4)),
        occupancy=float(rng.uniform(0.6, 0.92)),
        end_occupancy=float(rng.uniform(0.5, 0.72)),
        blur_px=float(rng.uniform(0.6, 1.2)),
        noise=float(rng.uniform(0.003, 0.009)),
        sharpen=float(rng.uniform(0.0, 0.4)),
        jpeg_quality=int(rng.integers(85, 96)),
        exposure=float(rng.uniform(0.85, 1.1)),
        light_gradient=float(rng.uniform(0.05, 0.25)),
        vignette=float(rng.uniform(0.03, 0.2)),
        end_condition=str(rng.choice(END_CONDITIONS, p=[0.6, 0.25, 0.15])),
    )
    if scene == "tilt":
        spec = replace(
            spec,
            tilt_max_deg=30.0,
            k1_max=0.03,
            light_gradient=float(rng.uniform(0.3, 0.6)),
            shadow_edge=True,
            occupancy=float(rng.uniform(0.6, 0.85)),
        )
    if scene == "hard":
        spec = replace(
            spec,
            blur_px=float(rng.uniform(1.4, 2.2)),
            noise=float(rng.uniform(0.012, 0.025)),
            jpeg_quality=int(rng.integers(60, 80)),
            light_gradient=0.3,
        )
    if scene in ("clutter", "wood-on-wood"):
        n_marks = int(rng.integers(0, 3))
        marks = rng.permutation(np.array(MARKS))[:n_marks]
        spec = replace(spec, marks=tuple(str(m) for m in marks))
    return replace(spec, **overrides)


def suite_case(seed: int, scene: str) -> tuple[BlankSpec, PhotoSpec]:
    """Blank and photograph of one member of a suite: what each scene asks for beyond its light."""
    if scene == "knots":
        from tests.render.knots import knot_case

        return knot_case(seed)
    photo = random_photo(seed, scene)
    rng = np.random.default_rng([seed, 3])
    if scene == "square":
        side = float(rng.uniform(12, 20))
        runout = rng.uniform(-4, 4, 2)
        blank = random_blank(
            seed,
            made="sawn",
            part="chair rung",
            width_mm=side,
            height_mm=side,
            length_mm=float(rng.uniform(280, 520)),
            runout_a_deg=float(runout[0]),
            runout_b_deg=float(runout[1]),
            squareness_deg=0.0,
            edge_roughness_mm=0.0,
            arris_mm=0.15,
            end_cut_a_deg=0.0,
            end_cut_b_deg=0.0,
        )
        return blank, replace(photo, end_condition="clean")
    if scene == "hard":
        return random_blank(seed, "diffuse-porous", contrast=float(rng.uniform(0.45, 0.75))), photo
    return random_blank(seed), photo
