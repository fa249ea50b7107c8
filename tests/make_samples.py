"""``python -m tests.make_samples [FOLDER]``: the sample blanks of the invented workshop Alder Ford.

Every picture is rendered; the workshop, its people and its stock are made up. The same command
writes the same files again.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

from tests.render import BlankSpec, PhotoSpec, RenderedBlank, render_blank, write_blank

FOLDER = Path(__file__).resolve().parent.parent / "sample_images"
SAID = "Rendered picture, not a photograph; the workshop Alder Ford is invented. "
PHOTO = PhotoSpec(
    width_px=3000,
    height_px=1690,
    end_width_px=1400,
    end_height_px=1050,
    noise=0.004,
    blur_px=0.7,
    occupancy=0.86,
    jpeg_quality=88,
    sharpen=0.2,
)

RIVEN = {
    "made": "riven",
    "edge_roughness_mm": 0.25,
    "squareness_deg": 0.8,
    "arris_mm": 0.5,
    "wander_deg": 0.3,
    "end_cut_a_deg": 0.5,
}


def _ash(**given) -> BlankSpec:
    return BlankSpec(**{"species": "white ash", "kind": "ring-porous", **given})


def _samples() -> list[tuple[BlankSpec, PhotoSpec]]:
    return [
        (
            _ash(
                **RIVEN,
                seed=701,
                name="ash-rung-straight",
                part="chair rung",
                width_mm=26,
                height_mm=25,
                length_mm=380,
                runout_a_deg=0.5,
                runout_b_deg=-0.3,
                pith_azimuth_deg=-115,
                pith_distance_mm=85,
                mean_ring_mm=2.6,
                notes="Split along the bolt; straight.",
            ),
            replace(PHOTO, background="cloth"),
        ),
        (
            _ash(
                made="sawn",
                seed=702,
                name="ash-rung-runout",
                part="chair rung",
                width_mm=26,
                height_mm=26,
                length_mm=370,
                runout_a_deg=4.6,
                runout_b_deg=1.6,
                pith_azimuth_deg=160,
                pith_distance_mm=70,
                mean_ring_mm=2.2,
                notes="Sawn from a board across the run of the fibres.",
            ),
            replace(PHOTO, background="card", marks=("saw",)),
        ),
        (
            BlankSpec(
                **RIVEN,
                species="white oak",
                kind="ring-porous",
                seed=703,
                name="oak-billet-rays",
                part="chair post",
                width_mm=46,
                height_mm=42,
                length_mm=480,
                runout_a_deg=-0.8,
                runout_b_deg=0.6,
                pith_azimuth_deg=178,
                pith_distance_mm=95,
                mean_ring_mm=2.4,
                vessel_length_mm=18,
                notes="Quartered billet; the ray flecks cross face A.",
            ),
            replace(PHOTO, background="dark cloth", end_condition="rough"),
        ),
        (
            BlankSpec(
                made="sawn",
                species="sugar maple",
                kind="diffuse-porous",
                seed=704,
                name="maple-handle-hidden-runout",
                part="hammer handle",
                width_mm=34,
                height_mm=28,
                length_mm=370,
                runout_a_deg=0.6,
                runout_b_deg=5.2,
                pith_azimuth_deg=-20,
                pith_distance_mm=90,
                mean_ring_mm=2.8,
                contrast=1.15,
                notes="Face A looks straight; the fibres run out of it, as face B shows.",
            ),
            replace(PHOTO, background="cloth", marks=("pencil-across",)),
        ),
        (
            BlankSpec(
                made="sawn",
                species="pine",
                kind="softwood",
                seed=705,
                name="pine-lath",
                part="lath",
                width_mm=32,
                height_mm=13,
                length_mm=460,
                runout_a_deg=1.7,
                runout_b_deg=-0.9,
                pith_azimuth_deg=-75,
                pith_distance_mm=75,
                mean_ring_mm=2.9,
                notes="Offcut of a plank.",
            ),
            replace(PHOTO, background="card", end_condition="rough"),
        ),
        (
            _ash(
                **RIVEN,
                seed=706,
                name="ash-curved-sound",
                part="bending blank",
                width_mm=30,
                height_mm=22,
                length_mm=560,
                runout_a_deg=0.4,
                runout_b_deg=0.3,
                log_bow_y_mm=9.0,
                pith_azimuth_deg=-95,
                pith_distance_mm=110,
                mean_ring_mm=2.9,
                notes="Curves with its own fibres: bent, yet sound.",
            ),
            replace(PHOTO, background="dark cloth"),
        ),
        (
            BlankSpec(
                made="sawn",
                species="sugar maple",
                kind="diffuse-porous",
                seed=707,
                name="maple-finished-square",
                part="chair rung",
                width_mm=16,
                height_mm=16,
                length_mm=330,
                runout_a_deg=0.8,
                runout_b_deg=-4.2,
                pith_azimuth_deg=75,
                pith_distance_mm=100,
                mean_ring_mm=2.1,
                arris_mm=0.12,
                contrast=1.1,
                notes="Planed square, straight and true; the grain inside is not.",
            ),
            replace(PHOTO, background="card"),
        ),
        (
            BlankSpec(
                **RIVEN,
                species="beech",
                kind="diffuse-porous",
                seed=708,
                name="beech-slat",
                part="chair slat",
                width_mm=48,
                height_mm=15,
                length_mm=430,
                runout_a_deg=1.5,
                runout_b_deg=0.7,
                pith_azimuth_deg=-100,
                pith_distance_mm=105,
                mean_ring_mm=2.6,
                spiral_deg=1.2,
                notes="Split, then shaved; laid on the bench among shavings.",
            ),
            replace(PHOTO, scene="clutter"),
        ),
        (
            _ash(
                **RIVEN,
                seed=709,
                name="ash-bad-photos",
                part="rake tine",
                width_mm=18,
                height_mm=17,
                length_mm=280,
                runout_a_deg=-1.0,
                runout_b_deg=0.8,
                pith_azimuth_deg=-60,
                pith_distance_mm=80,
                mean_ring_mm=2.0,
                notes="Face A cut off by the border, face B blurred and the end too dark.",
            ),
            PHOTO,
        ),
    ]


def _bad_photos(spec: BlankSpec) -> RenderedBlank:
    """Three photographs, each spoilt in its own way."""
    ways = {
        "face_a": replace(PHOTO, content="cut"),
        "face_b": replace(PHOTO, blur_px=14.0, noise=0.02),
        "end": replace(PHOTO, exposure=0.02, noise=0.05),
    }
    taken = {
        shot: render_blank(spec, replace(way, background="cloth", shots=(shot,)), spec.seed)
        for shot, way in ways.items()
    }
    truth = dict(taken["face_a"].truth)
    truth["photos"] = {shot: r.truth["photos"][shot] for shot, r in taken.items()}
    pictures = {shot: getattr(r, shot) for shot, r in taken.items()}
    return RenderedBlank(spec, PHOTO, **pictures, truth=truth)


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    for plain, photo in _samples():
        spec = replace(plain, notes=SAID + plain.notes)
        bad = spec.name == "ash-bad-photos"
        rendered = _bad_photos(spec) if bad else render_blank(spec, photo, spec.seed)
        print(write_blank(folder / spec.name, rendered))


if __name__ == "__main__":
    main()
