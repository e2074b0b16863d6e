"""Bores whose wall was not seen to the end: what goes on between the two rims.

A scanner looks a diameter or two into a bore. Two openings that face away from one another, whose outlines are the
same along the line between them and whose walls run along it, are the ends of one bore: the wall goes on straight
from the one to the other (common practice, no source). One may be wider where both walls are seen: a taper goes on,
and nobody knows where a step lies. That is a guess, as every filling is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.facing import upright_axes
from pipeline.geometry.holes import Hole, rim_normals
from pipeline.geometry.incidence import Incidence
from pipeline.geometry.outline import middle_of
from pipeline.geometry.repair import used_only
from pipeline.geometry.wall_pieces import Seen, rows_of_faces, with_pieces
from pipeline.part import FloatArray, Mesh

FACING_AWAY = 0.5
"""Cosine between an opening's axis and the line to the other: the border of what was seen may run slantwise."""
ALONG, ASKEW, SQUARE = 0.3, 0.1, 0.9
"""Sine between wall and line below which the wall runs along it, be it tapered, and between its axis and the line;
cosine above which a face lies square to it: of
that end nothing was seen but its edge. Of one end at least the wall must be seen: a place where data are missing on a
flat face, under a marker or over the riser, has a rim as well."""
ALIKE, WIDER = 0.15, 2.5
"""Share of the radius by which the two outlines may differ in the mean; and how many times as wide as the other one may
be where both walls run along the line and the outlines are alike but for that: a tapered or a stepped bore."""
RAYS = 72
"""Directions in which outlines are compared."""
TOOTH = 2
"""The wall begins where a rim reaches deepest within so many cells to either side."""
ROUNDS = 5
"""Rounds in which the line between two rims and their centres along it settle."""


@dataclass(frozen=True, slots=True, eq=False)
class Bore:
    """Two openings between which a wall goes on.

    Attributes
    ----------
    one, other : the openings
    centres : (2, 3) mm, of the two rims as seen along the bore
    """

    one: Hole
    other: Hole
    centres: FloatArray

    @property
    def frame(self) -> FloatArray:
        """(3, 3) rows x, y and z, along the bore from the other opening to the one."""
        return upright_axes(self.centres[0] - self.centres[1])

    @property
    def depth_mm(self) -> float:
        """How far the two rims are apart."""
        return float(np.linalg.norm(self.centres[0] - self.centres[1]))


def with_walls(seen: Seen, bores: Sequence[Bore], cell: float) -> tuple[Seen, list[Bore]]:
    """What was seen with the walls of unseen bores as pieces of their own, not yet joined to it, and those bores.

    Parameters
    ----------
    seen : oriented outwards
    cell : length of the mesh's edges, millimetres
    """
    return with_pieces(seen, [(bore, wall_between(seen.mesh, bore, cell)) for bore in bores], cell)


def find_bores(mesh: Mesh, holes: Sequence[Hole], around: Incidence) -> list[Bore]:
    """Pairs of openings that are the two ends of one bore; each opening at most once, the nearest pairs first.

    Parameters
    ----------
    mesh : oriented outwards
    holes : openings of the mesh that nothing else closes
    around : of the mesh
    """
    bores = [
        bore
        for number, one in enumerate(holes)
        for other in holes[number + 1 :]
        if (bore := _bore(mesh, one, other, around)) is not None
    ]
    taken: set[int] = set()
    found = []
    for bore in sorted(bores, key=lambda bore: bore.depth_mm):
        ends = {id(bore.one), id(bore.other)}
        if not ends & taken:
            taken |= ends
            found.append(bore)
    return found


def _bore(mesh: Mesh, one: Hole, other: Hole, around: Incidence) -> Bore | None:
    """The bore that ends in two openings; None where they are no ends of one."""
    apart = one.centre - other.centre
    if one.islands or other.islands or one.axis @ apart <= 0 or other.axis @ apart >= 0:
        return None
    rims = mesh.vertices[one.loop], mesh.vertices[other.loop]
    bore = Bore(one, other, _centres(rims))
    frame = bore.frame
    if one.axis @ frame[2] < FACING_AWAY or other.axis @ frame[2] > -FACING_AWAY:
        return None
    arms = [(rim - centre) @ frame.T for rim, centre in zip(rims, bore.centres, strict=True)]
    walls_seen = 0
    for hole, arm, outwards in zip((one, other), arms, (1, -1), strict=True):
        normals = rim_normals(mesh, hole.loop, around) @ frame.T
        if _runs_along(normals, arm):
            walls_seen += 1
        elif np.median(outwards * normals[:, 2]) < SQUARE:
            return None
    return bore if walls_seen and _alike([_outline(arm) for arm in arms], tapered=walls_seen == 2) else None


def _alike(outlines: list[FloatArray], *, tapered: bool) -> bool:
    """Whether two outlines (RAYS,) are the same; where ``tapered``, one may be larger."""
    radii = [float(outline.mean()) for outline in outlines]
    if tapered and max(radii) < WIDER * min(radii):
        outlines = [outline / radius for outline, radius in zip(outlines, radii, strict=True)]
    return float(np.abs(outlines[0] - outlines[1]).mean()) < ALIKE * float(np.mean(outlines))


def _centres(rims: tuple[FloatArray, FloatArray]) -> FloatArray:
    """(2, 3) centres of the areas within two rims as seen along the line between them.

    The mean of a rim's places would lie off it: of a wall that was seen deeper on one side there are more.
    """
    centres = np.array([rim.mean(axis=0) for rim in rims])
    for _ in range(ROUNDS):
        across = np.linalg.svd((centres[0] - centres[1])[None])[2][1:]
        centres += [middle_of((rim - centre) @ across.T) @ across for rim, centre in zip(rims, centres, strict=True)]
    return centres


def _runs_along(normals: FloatArray, arms: FloatArray) -> bool:
    """Whether the surface at a rim is a wall that runs along z and faces it; normals and places in the bore's frame."""
    axis = np.linalg.eigh(normals.T @ normals)[1][:, 0]  # the direction to which the normals stand square
    steep = np.hypot(axis[0], axis[1]) < ASKEW and np.median(np.abs(normals[:, 2])) < ALONG
    return bool(steep and np.median(np.einsum("ni,ni->n", normals[:, :2], arms[:, :2])) < 0)


def _outline(arms: FloatArray) -> FloatArray:
    """(RAYS,) distance of a rim from the bore's axis, all round it; its places in the bore's frame."""
    x, y = arms[:, 0], arms[:, 1]
    return _all_round(np.arctan2(y, x), np.hypot(x, y)[:, None], _rays(RAYS))[:, 0]


def wall_between(mesh: Mesh, bore: Bore, cell: float) -> Mesh:
    """The wall between the two rims of a bore, flagged as filled; without faces where there is no room for it.

    It runs straight from the one to the other in rows of a cell each and begins a cell off the rims, clear of their
    teeth: what closes the surface joins it to them.
    """
    loops = bore.one.loop, bore.other.loop
    frame = bore.frame
    local = [(mesh.vertices[loop] - bore.centres[1]) @ frame.T for loop in loops]
    around = 2 * np.pi * float(np.mean([np.hypot(rim[:, 0], rim[:, 1]).mean() for rim in local]))
    rays = _rays(max(8, round(around / cell)))
    painted = np.zeros((len(mesh.vertices), 0)) if mesh.colours is None else mesh.colours.astype(np.float64)
    upper, lower = (
        _end(rim, painted[loop], rays, deeper) for rim, loop, deeper in zip(local, loops, (-1, 1), strict=True)
    )
    upper[:, 1] -= cell
    lower[:, 1] += cell
    rows = max(1, round(float((upper - lower)[:, 1].max()) / cell))
    share = np.linspace(0, 1, rows + 1)[:, None, None]
    grid = (1 - share) * lower + share * upper  # (rows + 1, rays, radius and depth and colour)
    places = np.stack([grid[..., 0] * np.cos(rays), grid[..., 0] * np.sin(rays), grid[..., 1]], axis=-1)
    room = (upper - lower)[:, 1] > cell
    faces = rows_of_faces(rows, room & np.roll(room, -1))
    colours = None if mesh.colours is None else np.clip(np.round(grid[..., 2:]), 0, 255).astype(np.uint8).reshape(-1, 3)
    vertices = places.reshape(-1, 3) @ frame + bore.centres[1]
    return used_only(Mesh(vertices, faces, np.ones(len(faces), bool), colours))


def _end(rim: FloatArray, shade: FloatArray, rays: FloatArray, deeper: int) -> FloatArray:
    """(rays, 2 + k) radius of a rim, how deep it reaches about each ray, and its colours.

    Parameters
    ----------
    rim : (n, 3) places, the bore along z
    deeper : the direction along z into what was not seen
    """
    angle = np.arctan2(rim[:, 1], rim[:, 0])
    values = _all_round(angle, np.column_stack([np.hypot(rim[:, 0], rim[:, 1]), rim[:, 2], shade]), rays)
    depth = deeper * values[:, 1]
    column = np.searchsorted(rays, angle, side="right") - 1
    np.maximum.at(depth, column, deeper * rim[:, 2])
    near = np.stack([np.roll(depth, shift) for shift in range(-TOOTH, TOOTH + 1)])
    values[:, 1] = deeper * near.max(axis=0)
    return values


def _all_round(angle: FloatArray, values: FloatArray, rays: FloatArray) -> FloatArray:
    """(r, k) values (n, k) at angles (n,), carried on to the rays (r,)."""
    order = np.argsort(angle)
    columns = [np.interp(rays, angle[order], column[order], period=2 * np.pi) for column in values.T]
    return np.column_stack(columns)


def _rays(count: int) -> FloatArray:
    return np.linspace(-np.pi, np.pi, count, endpoint=False)
