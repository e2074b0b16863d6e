"""Sizes, mass and fits of parts whose sizes are known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from meshes import box, frustum, without_cap
from pydantic import ValidationError
from scipy.spatial.transform import Rotation

from pipeline.geometry.deviation import sample_surface
from pipeline.part import Capture, Declared, Mesh, Part
from pipeline.recipe import load_recipe
from pipeline.simulate.fittings import FITTINGS
from pipeline.stage import StageContext
from pipeline.stages.measurement import MOST_FITS, FeatureFit, Measurement


def measured(stage: Measurement, part: Part) -> StageContext:
    context = StageContext(np.random.default_rng(0), Path(), stage.all_measures())
    assert stage.apply(part, context) is part
    return context


def part_of(mesh: Mesh, noise: float | None = None) -> Part:
    captures: tuple[Capture, ...] = ()
    if noise is not None:
        points, face = sample_surface(mesh.vertices, mesh.faces, 60_000)
        corners = mesh.vertices[mesh.faces[face]]
        normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        normal /= np.linalg.norm(normal, axis=1, keepdims=True)
        points = points + normal * np.random.default_rng(1).normal(0, noise, (len(points), 1))
        captures = (Capture("a.ply", points),)
    return Part("sample", captures, mesh, declared=Declared(aligned=True))


def test_a_box_in_its_datum_weighs_what_it_weighs() -> None:
    # G5: 60 x 40 x 20: V = 48000, A = 8800; of steel, 7.85 g/cm3, 376.8 g
    vertices, faces = box((60, 40, 20), level=2)
    datum = np.eye(4)
    datum[:3, :3] = Rotation.random(random_state=1).as_matrix()
    datum[:3, 3] = [5, 6, 7]
    back = np.linalg.inv(datum)
    part = part_of(Mesh(vertices @ back[:3, :3].T + back[:3, 3], faces))
    found = measured(Measurement(density_g_cm3=7.85), replace(part, deliverable_from_part=datum)).measures
    assert [found[f"extent_{axis}_mm"] for axis in "xyz"] == pytest.approx([60, 40, 20])
    assert found["volume_mm3"] == pytest.approx(48_000)
    assert found["area_mm2"] == pytest.approx(8_800)
    assert found["measured_area_mm2"] == pytest.approx(8_800)
    assert found["mass_g"] == pytest.approx(376.8)
    assert [found[f"centroid_{axis}_mm"] for axis in "xyz"] == pytest.approx([0, 0, 0], abs=1e-9)


def test_a_warm_part_is_measured_as_at_20_degrees() -> None:
    # F14: 20 degrees Celsius: ISO 1 (in J. Res. NIST 121, 2016). 100 mm of steel (11.5e-6 per K, from memory) grow by
    # 5.75 um in 5 K, aluminium (23.1e-6, from memory) by 11.55 um.
    part = part_of(Mesh(*box((100, 40, 20), level=1)))
    for expansion, growth in ((11.5e-6, 0.00575), (23.1e-6, 0.01155)):
        found = measured(Measurement(expansion_per_k=expansion, temperature_c=25.0), part).measures
        assert found["extent_x_mm"] - found["extent_x_at_20_mm"] == pytest.approx(growth, rel=1e-3)
    assert "extent_x_at_20_mm" not in measured(Measurement(), part).measures
    assert not measured(Measurement(), part).warnings
    assert "expansion_per_k" in measured(Measurement(temperature_c=25.0), part).warnings[0]


def test_a_size_that_rests_on_filled_surface_is_said() -> None:
    """A cap of 2 mm on the end of a box was guessed: the size along x is 62, what was measured reaches over 60."""
    vertices, faces = box((60, 40, 20), level=4)
    end = np.isclose(vertices[:, 0], vertices[:, 0].max())
    inner = end & (np.abs(vertices[:, 1]) < 19) & (np.abs(vertices[:, 2]) < 9)
    bulged = vertices + np.where(inner[:, None], [2.0, 0, 0], 0.0)
    guess = inner[faces].any(axis=1)
    context = measured(Measurement(), part_of(Mesh(bulged, faces, guess)))
    assert context.measures["extent_x_mm"] == pytest.approx(62, abs=0.01)
    assert context.measures["measured_extent_x_mm"] == pytest.approx(60, abs=0.01)
    assert context.measures["measured_extent_z_mm"] == pytest.approx(context.measures["extent_z_mm"])
    assert [("along x" in text, "62.00 mm" in text) for text in context.warnings] == [(True, True)]
    assert not measured(Measurement(), part_of(Mesh(vertices, faces, guess))).warnings


def test_the_centroid_of_a_frustum() -> None:
    # G4: h/4 (R^2 + 2 R r + 3 r^2) / (R^2 + R r + r^2) = 21.71053
    found = measured(Measurement(), part_of(Mesh(*frustum(30, 20, 50, corners=720)))).measures
    assert found["centroid_z_mm"] == pytest.approx(21.71053, abs=1e-3)
    assert found["extent_z_mm"] == pytest.approx(50)


def test_a_vertex_that_sticks_out_is_not_the_size() -> None:
    vertices, faces = box((60, 40, 20), level=7)
    vertices = vertices.copy()
    vertices[np.argmin(np.linalg.norm(vertices - [30, 5, 3], axis=1))] += [0.5, 0, 0]
    assert measured(Measurement(), part_of(Mesh(vertices, faces))).measures["extent_x_mm"] == pytest.approx(60, abs=0.1)


def test_an_open_surface_has_no_volume() -> None:
    mesh = Mesh(*without_cap(*box((60, 40, 20), level=4), (0, 0, 10), 6))
    context = measured(Measurement(density_g_cm3=1.0), part_of(mesh))
    assert not {"volume_mm3", "mass_g", "centroid_x_mm"} & set(context.measures)
    assert any("not closed" in text for text in context.warnings)


def test_an_inside_out_surface_has_no_volume() -> None:
    vertices, faces = box()
    assert "volume_mm3" not in measured(Measurement(), part_of(Mesh(vertices, faces[:, ::-1]))).measures


GUDGEON_FITS = (
    FeatureFit(shape="cylinder", seed_mm=(0.0, 20.0, 35.0), name="bore"),
    FeatureFit(shape="plane", seed_mm=(50.0, 5.0, 0.0)),
    FeatureFit(shape="cylinder", seed_mm=(63.4, 27.9, 5.0), within_mm=15.0, height_mm=8.0),
)


@pytest.mark.parametrize("fit_to", ["surface", "points"])
def test_fits_of_a_gudgeon(fit_to: str) -> None:
    """The truth mesh with points of 0.03 mm noise about it; the proportions are those of ``fittings.gudgeon``."""
    stage = Measurement.model_validate({"fits": GUDGEON_FITS, "fit_to": fit_to})
    context = measured(stage, part_of(FITTINGS["gudgeon"](None), noise=0.03))
    assert not context.reasons
    found = context.measures
    assert found["fit_1_radius_mm"] == pytest.approx(13.0, abs=0.02)
    assert found["fit_1_tilt_deg"] == pytest.approx(90, abs=0.05)
    assert [found["fit_1_x_mm"], found["fit_1_z_mm"]] == pytest.approx([0, 48], abs=0.02)
    assert found["fit_2_tilt_deg"] == pytest.approx(0, abs=0.02)
    assert found["fit_2_z_mm"] == pytest.approx(0, abs=0.01)
    assert "fit_2_radius_mm" not in found
    assert found["fit_3_radius_mm"] == pytest.approx(5.5, abs=0.02)
    if fit_to == "points":  # the noise is part of the form: about 6 standard deviations with 0.3 % left out
        assert found["fit_2_rms_mm"] == pytest.approx(0.03, rel=0.1)
        assert found["fit_2_form_mm"] == pytest.approx(6 * 0.03, rel=0.2)
    else:
        assert found["fit_2_form_mm"] < 1e-6


def test_a_fit_that_cannot_be_made_is_a_doubt() -> None:
    part = part_of(FITTINGS["gudgeon"](None))
    far = Measurement(fits=(FeatureFit(shape="plane", seed_mm=(900.0, 0.0, 0.0), name="datum A"),))
    context = measured(far, part)
    assert [reason.code for reason in context.reasons] == ["fit-impossible"]
    assert "datum A" in context.reasons[0].text
    assert "fit_1_form_mm" not in context.measures


def test_a_radius_on_a_small_arc_is_said_to_be_unsure() -> None:
    """An eighth of a turn of a bore; a full round would be 24 times surer (F11: 60 degrees give 23.85)."""
    mesh = FITTINGS["gudgeon"](None)
    band = FeatureFit(shape="cylinder", seed_mm=(0.0, 20.0, 35.0), height_mm=3.0)
    context = measured(Measurement(fits=(band,)), part_of(mesh, noise=0.02))
    assert any("times less sure" in text for text in context.warnings)


def test_a_recipe_with_fits_and_limits_on_them(tmp_path: Path) -> None:
    file = tmp_path / "r.yaml"
    file.write_text(
        "recipe: 1\nname: r\nstages:\n  - stage: meshing\n  - stage: measurement\n    density_g_cm3: 7.85\n"
        "    fits:\n      - {shape: cylinder, seed_mm: [0, 20, 35], name: bore}\n"
        "limits:\n  - {measure: measurement.fit_1_radius_mm, min: 12.9, max: 13.1, otherwise: review}\n"
    )
    stage = load_recipe(file).stages[-1]
    assert isinstance(stage, Measurement)
    assert stage.fits[0].seed_mm == (0, 20, 35)


def test_no_more_fits_than_have_names() -> None:
    with pytest.raises(ValidationError):
        Measurement(fits=GUDGEON_FITS[:1] * (MOST_FITS + 1))


def test_a_measure_of_a_fit_says_which_fit() -> None:
    bore = FeatureFit(shape="cylinder", seed_mm=(25.0, -10.0, 6.0), name="bore A")
    stage = Measurement(fits=(FeatureFit(shape="plane", seed_mm=(0.5, 0.0, 0.0)), bore))
    assert (
        stage.words("fit_1_rms_mm") == "fit 1 (the plane at (0.5, 0, 0) mm), root mean square distance from the shape"
    )
    assert stage.words("fit_2_radius_mm").startswith("fit 2 (bore A, the cylinder at (25, -10, 6) mm), radius")
    assert stage.words("fit_3_x_mm").startswith("fit 3 of the recipe, ")
    assert stage.words("area_mm2") == "area of the surface"
