"""Invented fittings of old canal boats, as closed truth meshes in millimetres.

Without a seed each has its nominal shape; a seed draws another of the same kind with other proportions.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
from scipy.interpolate import PchipInterpolator

from pipeline.part import FloatArray, Mesh
from pipeline.simulate import freeform
from pipeline.simulate.solids import (
    Proportions,
    box,
    cylinder,
    prism,
    rod,
    rounded_plate,
    solid_of,
    truth_of,
    turned,
    union,
)


def gudgeon(seed: int | None = None) -> Mesh:
    """A rudder gudgeon: base plate, barrel with bore, fillets, ribs, bolt holes, a slot; sharp edges."""
    p = Proportions(seed)
    length, width, thick = p(140), p(80), p(10)
    outer, bore, barrel, height = p(24), p(13), p(60), p(48)
    hole, fillet, rib = p(5.5), p(9), p(8)
    web = box((1.7 * outer, barrel, height), (0, 0, thick / 2 + height / 2))
    foot = box((1.7 * outer + 2 * fillet, barrel, fillet), (0, 0, thick + fillet / 2))
    hollow_at = [np.array([s * (0.85 * outer + fillet), barrel, thick + fillet]) for s in (-1, 1)]
    hollow = [rod(at, at * (1, -1, 1), fillet) for at in hollow_at]
    ribs = [
        prism([(0, thick / 2), (0.34 * length, thick / 2), (0.34 * length, thick + 2), (0, height + 0.5 * outer)], rib)
        .rotate((90, 0, 0))
        .translate((0, y + rib / 2, 0))
        for y in (-barrel / 2 + rib / 2, barrel / 2 - rib / 2)
    ]
    solid = union(
        rounded_plate(length, width, thick, p(8)),
        web,
        foot - union(*hollow),
        *ribs,
        rod((0, -barrel / 2, height), (0, barrel / 2, height), outer),
    )
    x, y = length / 2 - 2.2 * hole, width / 2 - 2.2 * hole
    holes = [cylinder(hole, 3 * thick).translate((-x, s * y, -thick)) for s in (-1, 1)]
    holes += [cylinder(hole, 3 * thick).translate((x, s * y, -thick)) for s in (-1, 1)]
    slot = union(
        *(cylinder(0.8 * hole, 3 * thick).translate((-0.36 * length + dx, 0, -thick)) for dx in np.linspace(-4, 4, 9))
    )
    oil = cylinder(0.5 * hole, 2 * outer).translate((0, 0.2 * barrel, height))
    return truth_of(solid - union(rod((0, -barrel, height), (0, barrel, height), bore), slot, oil, *holes))


def swan_finial(seed: int | None = None) -> Mesh:
    """A carved swan from a tiller's end: free form, feathered, no two sides alike."""
    p = Proportions(seed)
    s, lean, reach = p(1.0), p(7) / p.scale, p(1.0) / p.scale
    neck = np.array(
        [[34, 0, 60], [52, 1, 78], [56, 3, 98], [47, 5, 116], [38, lean, 130], [41, lean + 3, 145], [55, lean + 6, 150]]
    )
    neck = neck * [reach, 1, reach] * s
    head = neck[-1]
    wings = [
        freeform.ellipsoid(np.array([-10, side * 21, 64]) * s, np.array([38, 8.5, 19]) * s, _tilt(side * 0.12, 0.25))
        for side in (-1, 1)
    ]
    plain = freeform.blend(
        6 * s,
        freeform.ellipsoid(np.array([0, 0, 55]) * s, np.array([47, 26, 25]) * s),
        freeform.ball_chain(np.array([[-28, 0, 58], [-50, 0, 68], [-66, -3, 80]]) * s, np.array([16, 9, 3]) * s, 4 * s),
        freeform.ball_chain(neck, np.array([17, 12, 9, 8, 8, 8.5, 9.5]) * s, 5 * s),
        freeform.ball_chain(head + np.array([[0, 0, 0], [16, 4, -3], [27, 7, -6]]) * s, np.array([6, 4, 2]) * s, 2 * s),
        freeform.ball_chain(np.array([[0, 0, 27], [0, 0, 36]]) * s, np.array([16, 15]) * s, 4 * s),
        freeform.rounded_box(np.array([0, 0, 6]) * s, np.array([56, 48, 12]) * s, 3 * s),
        *wings,
    )  # fmt: skip

    def feathered(at: FloatArray) -> FloatArray:
        x, y, z = at.T / s
        on_wing = np.exp(-(((np.abs(y) - 27) / 7) ** 2) - ((z - 64) / 16) ** 2 - ((x + 14) / 26) ** 2)
        groove: FloatArray = 0.8 * s * on_wing * np.sin(2 * np.pi * (x + 0.6 * z) / 9)
        return plain(at) + groove

    low, high = np.array([-78, -48, -6]) * s, np.array([100, 48, 180]) * s
    return freeform.body(feathered, low, high * [max(reach, 1), 1, max(reach, 1)], 2.8 * s)


def mooring_cleat(seed: int | None = None) -> Mesh:
    """A cast mooring cleat: the same both ways but for a small boss at one end."""
    p = Proportions(seed)
    length, width, thick, post, height = p(150), p(46), p(12), p(11), p(48)
    horn = length * 0.56
    cast = freeform.blend(
        p(9),
        freeform.rounded_box((0, 0, thick / 2), (length, width, thick), 3),
        freeform.ball_chain([(-0.2 * length, 0, thick), (-0.17 * length, 0, height)], [1.15 * post, post], 3),
        freeform.ball_chain([(0.2 * length, 0, thick), (0.17 * length, 0, height)], [1.15 * post, post], 3),
        freeform.ball_chain(
            [(-horn, 0, height + 9), (-0.3 * length, 0, height), (0.3 * length, 0, height), (horn, 0, height + 9)],
            [0.55 * post, 0.95 * post, 0.95 * post, 0.55 * post],
            6,
        ),
    )
    reach = horn + post + 6
    solid = solid_of(freeform.body(cast, (-reach, -width, -5), (reach, width, height + 9 + 2 * post), 3.0))
    solid = union(
        solid.trim_by_plane((0, 0, 1), 0.0), cylinder(p(4.5), thick + p(2.5)).translate((0.43 * length, 0, 0))
    )
    for x in (-0.36 * length, 0.36 * length):
        for y in (-0.3 * width, 0.3 * width):
            bolt = union(
                cylinder(4, 3 * thick).translate((0, 0, -thick)),
                cylinder(3, 4.2, top_radius=7.2).translate((0, 0, thick - 4)),
            )
            solid -= bolt.translate((x, y, 0))
    return truth_of(solid)


def pump_impeller(seed: int | None = None) -> Mesh:
    """A bilge pump's impeller: thin curved blades, the same after every seventh of a turn."""
    p = Proportions(seed)
    blades, outer, hub, thick = p.count(7, 5, 9), p(55), p(14), p(3, 0.05)
    plate, height, sweep = p(4), p(20), p(0.9) / p.scale
    share = np.linspace(0, 1, 40)
    radius, angle = 0.7 * hub + share * (outer - 1.5 - 0.7 * hub), sweep * share**1.2
    centre = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    along = np.gradient(centre, axis=0)
    across = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1, keepdims=True) * thick / 2
    blade = prism(np.vstack([centre - across, (centre + across)[::-1]]), height)
    fan = [blade.rotate((0, 0, 360 * k / blades)) for k in range(blades)]
    solid = union(cylinder(outer, plate), cylinder(hub, height + p(8)), *fan)
    return truth_of(solid - cylinder(0.5 * hub, 4 * height).translate((0, 0, -height)))


def bollard(seed: int | None = None) -> Mesh:
    """A turned bollard: a surface of revolution with coves, beads and a mushroom head."""
    p = Proportions(seed)
    nominal = np.array(
        [[44, 0], [44, 9], [40, 12], [30, 17], [24, 26], [27, 34], [24, 42], [20, 60], [19, 85], [22, 108], [29, 118],
         [24, 127], [28, 136], [38, 146], [41, 156], [37, 167], [24, 175], [8, 179.5]]
    )  # fmt: skip
    radius = np.array([p(r, 0.06) for r in nominal[:, 0]])
    height = np.cumsum([0.0, *(p(step, 0.15) for step in np.diff(nominal[:, 1]))])
    fine = np.unique(np.concatenate([height, np.linspace(height[1], height[-1], 260)]))
    curve = np.column_stack([PchipInterpolator(height, radius)(fine), fine])
    return truth_of(turned(np.vstack([(0.0, 0.0), curve, (0.0, height[-1] + 0.5)])))


def pipe_tee(seed: int | None = None) -> Mesh:
    """A pipe tee of the bilge line: open through bores, thin wall, a drain boss at one end."""
    p = Proportions(seed)
    run, branch, outer, wall = p(120), p(64), p(24), p(4, 0.05)
    bore, collar, band = outer - wall, outer + p(5), p(12)
    solid = union(
        rod((-run / 2, 0, 0), (run / 2, 0, 0), outer),
        rod((-run / 2, 0, 0), (-run / 2 + band, 0, 0), collar),
        rod((run / 2 - band, 0, 0), (run / 2, 0, 0), collar),
        rod((0, 0, 0), (0, 0, branch), outer),
        rod((0, 0, branch - band), (0, 0, branch), collar),
        rod((0.27 * run, 0, 0), (0.27 * run, -outer - p(7), 0), p(7)),
    )
    return truth_of(solid - union(rod((-run, 0, 0), (run, 0, 0), bore), rod((0, 0, 0), (0, 0, 2 * branch), bore)))


def bailer(seed: int | None = None) -> Mesh:
    """A bailer: an open vessel with a foot ring and a handle."""
    p = Proportions(seed)
    foot, mouth, depth, wall = p(38), p(54), p(78), p(3, 0.05)
    share = np.linspace(0, 1, 60)
    outside = np.column_stack([foot + (mouth - foot) * share**0.7, 4 + (depth - 4) * share])
    inside = outside[::-1] - [wall, 0]
    inside = inside[inside[:, 1] > 4 + wall]
    profile = [
        (0, 3),
        (foot - 5, 3),
        (foot - 4, 0),
        (foot, 0),
        *outside,
        *inside,
        (inside[-1][0] - 2, 4 + wall),
        (0, 4 + wall),
    ]
    arc = np.linspace(0.5 * np.pi, -0.5 * np.pi, 40)
    level = 0.52 * depth + p(24) * np.sin(arc)
    root = np.interp(level, outside[:, 1], outside[:, 0]) - 0.5 * wall
    grip = np.column_stack([root + p(26) * np.cos(arc), np.zeros(40), level])
    handle = freeform.body(freeform.ball_chain(grip, np.full(40, p(5)), 1.0), grip.min(0) - 9, grip.max(0) + 9, 1.5)
    cavity = turned([(0, 4 + wall), *inside[::-1], (0, depth)])
    return truth_of(union(turned(profile), solid_of(handle) - cavity))


def lamp_cup(seed: int | None = None) -> Mesh:
    """A lamp's cup on a stem with a thin wide foot: stands on the table, revolution, open mouth."""
    p = Proportions(seed)
    foot, stem, cup, wall = p(38), p(7), p(34), p(3, 0.05)
    rise, height = p(62), p(130)
    share = np.linspace(0, 1, 50)
    lower = np.column_stack([stem + (foot - stem) * (1 - share) ** 3, 4 + (rise - 4) * share])
    bowl = np.column_stack([stem + (cup - stem) * np.sqrt(share), rise + (height - rise) * share])[1:]
    hollow = bowl[::-1] - [wall, 0]
    hollow = hollow[(hollow[:, 0] > 1) & (hollow[:, 1] > rise + wall)]
    return truth_of(turned([(0, 0), (foot, 0), *lower, *bowl, *hollow, (0, hollow[-1][1])]))


def nameplate(seed: int | None = None) -> Mesh:
    """A cast nameplate: one large flat face, a rim, raised strokes, two holes."""
    p = Proportions(seed)
    length, width, thick, raised = p(170), p(62), p(5), p(2)
    rim = rounded_plate(length, width, thick + raised, 8) - rounded_plate(length - 9, width - 9, 4 * thick, 5)
    strokes = [
        box((p(4), p(26, 0.3), 2 * raised), (0, 0, thick)).rotate((0, 0, 25 * (-1) ** k)).translate((x, 0, 0))
        for k, x in enumerate(np.linspace(-0.31 * length, 0.31 * length, 9))
    ]
    holes = [cylinder(3.2, 6 * thick).translate((x, 0, -thick)) for x in (-0.43 * length, 0.43 * length)]
    return truth_of(union(rounded_plate(length, width, thick, 8), rim, *strokes) - union(*holes))


def sheave(seed: int | None = None) -> Mesh:
    """A block's sheave: a grooved wheel with lightening holes all alike."""
    p = Proportions(seed)
    outer, groove, half, holes = p(48), p(9), p(11), p.count(5, 3, 6)
    arc = np.linspace(-0.45 * np.pi, 0.45 * np.pi, 60)
    rope = np.column_stack([outer - groove * np.cos(arc), 0.8 * half * np.sin(arc) / np.sin(0.45 * np.pi)])
    solid = turned([(0.2 * outer, -half), (outer, -half), *rope, (outer, half), (0.2 * outer, half)])
    drill = cylinder(0.16 * outer, 4 * half).translate((0.5 * outer, 0, -2 * half))
    return truth_of(solid - union(*(drill.rotate((0, 0, 360 * k / holes)) for k in range(holes))))


def windlass(seed: int | None = None) -> Mesh:
    """A lock windlass: a long cranked bar with a square socket and a grip."""
    p = Proportions(seed)
    arm, grip, bar, socket = p(180), p(85), p(9), p(26)
    solid = union(
        rod((0, 0, 0), (arm, 0, 0), bar),
        rod((arm, 0, -bar), (arm, 0, grip), bar),
        rod((arm, 0, 0.2 * grip), (arm, 0, grip), 1.5 * bar),
        rod((0, 0, -1.3 * bar), (0, 0, 1.6 * socket), 0.95 * socket),
    )
    return truth_of(solid - box((socket, socket, 8 * socket)))


FITTINGS: dict[str, Callable[[int | None], Mesh]] = {
    kind.__name__.replace("_", "-"): cache(kind)  # a mesh cannot be changed, so it need not be made twice
    for kind in (
        gudgeon,
        swan_finial,
        mooring_cleat,
        pump_impeller,
        bollard,
        pipe_tee,
        bailer,
        lamp_cup,
        nameplate,
        sheave,
        windlass,
    )
}


def _tilt(about_z: float, about_y: float) -> FloatArray:
    cz, sz, cy, sy = np.cos(about_z), np.sin(about_z), np.cos(about_y), np.sin(about_y)
    level, steep = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]]), np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    tilt: FloatArray = level @ steep
    return tilt
