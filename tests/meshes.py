"""Meshes for tests: made here, or read from installed packages."""

from __future__ import annotations

import tarfile
from pathlib import Path

import manifold3d
import numpy as np

from pipeline.part import Mesh

FloatArray = np.ndarray
IndexArray = np.ndarray


def icosphere(level: int = 3, radius: float = 25.0) -> tuple[FloatArray, IndexArray]:
    """An inscribed sphere of 20 * 4**level faces."""
    trimesh = _trimesh()
    ball = trimesh.creation.icosphere(subdivisions=level, radius=radius)
    return np.array(ball.vertices), np.array(ball.faces, np.int32)


def box(size: tuple[float, float, float] = (60, 40, 20), level: int = 0) -> tuple[FloatArray, IndexArray]:
    """A box of 12 * 4**level faces about the origin."""
    solid = _trimesh().creation.box(size)
    for _ in range(level):
        solid = solid.subdivide()
    return np.array(solid.vertices), np.array(solid.faces, np.int32)


def pipe(outer: float, inner: float, height: float, corners: int) -> tuple[FloatArray, IndexArray]:
    """A straight pipe about the z axis whose walls are prisms of ``corners`` sides."""
    turn = 2 * np.pi * np.arange(corners) / corners
    circle = np.column_stack([np.cos(turn), np.sin(turn)])
    rings = [(outer, 0.0), (outer, height), (inner, height), (inner, 0.0)]
    vertices = np.vstack([np.column_stack([r * circle, np.full(corners, z)]) for r, z in rings])
    return vertices, _swept(corners, [(0, 1), (1, 2), (2, 3), (3, 0)])


def prism(radius: float, height: float, corners: int) -> tuple[FloatArray, IndexArray]:
    """The side walls of a prism, both ends open."""
    turn = 2 * np.pi * np.arange(corners) / corners
    circle = radius * np.column_stack([np.cos(turn), np.sin(turn)])
    vertices = np.vstack([np.column_stack([circle, np.full(corners, z)]) for z in (0.0, height)])
    return vertices, _swept(corners, [(0, 1)])


def frustum(low: float, high: float, height: float, corners: int) -> tuple[FloatArray, IndexArray]:
    """A closed cone frustum about the z axis."""
    turn = 2 * np.pi * np.arange(corners) / corners
    circle = np.column_stack([np.cos(turn), np.sin(turn)])
    walls = np.vstack([np.column_stack([r * circle, np.full(corners, z)]) for r, z in ((low, 0.0), (high, height))])
    side = np.arange(corners)
    after = (side + 1) % corners
    bottom = np.column_stack([after, side, np.full(corners, 2 * corners)])
    top = np.column_stack([side + corners, after + corners, np.full(corners, 2 * corners + 1)])
    faces = np.vstack([_swept(corners, [(0, 1)]), bottom, top]).astype(np.int32)
    return np.vstack([walls, [[0, 0, 0], [0, 0, height]]]), faces


def torus(major: float, minor: float, around: int = 256, across: int = 128) -> tuple[FloatArray, IndexArray]:
    """A torus about the z axis."""
    solid = _trimesh().creation.torus(major, minor, major_sections=around, minor_sections=across)
    return np.array(solid.vertices), np.array(solid.faces, np.int32)


def without_cap(
    vertices: FloatArray, faces: IndexArray, centre: tuple[float, float, float], radius: float
) -> tuple[FloatArray, IndexArray]:
    """The mesh without faces that touch a ball; vertices stay."""
    inside = np.linalg.norm(vertices - np.asarray(centre), axis=1) < radius
    return vertices, faces[~inside[faces].any(axis=1)]


def read_off(path: Path) -> tuple[FloatArray, IndexArray]:
    """An OFF file of triangles (comments and blank lines allowed)."""
    lines = (line.split("#")[0].strip() for line in path.read_text(encoding="utf-8", errors="replace").splitlines())
    words = " ".join(line for line in lines if line).split()
    assert words[0] == "OFF"
    points, polygons = int(words[1]), int(words[2])
    numbers = np.array(words[4:], float)
    faces = numbers[3 * points : 3 * points + 4 * polygons].reshape(-1, 4).astype(np.int32)
    assert (faces[:, 0] == 3).all(), f"{path.name} has polygons that are no triangles"
    return numbers[: 3 * points].reshape(-1, 3), faces[:, 1:]


def read_obj(path: Path) -> tuple[FloatArray, IndexArray]:
    """Vertices and triangles of an OBJ file; polygons become fans."""
    vertices, faces = [], []
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        kind, *words = line.split() or [""]
        if kind == "v":
            vertices.append([float(word) for word in words[:3]])
        elif kind == "f":
            numbers = [int(word.split("/")[0]) for word in words]
            corners = [number - 1 if number > 0 else len(vertices) + number for number in numbers]
            faces += [(corners[0], corners[k], corners[k + 1]) for k in range(1, len(corners) - 1)]
    return np.array(vertices), np.array(faces, np.int32)


def read_stl(path: Path) -> tuple[FloatArray, IndexArray]:
    """A binary STL file, equal corners made one vertex."""
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    data = path.read_bytes()
    facets = np.frombuffer(data, record, count=int.from_bytes(data[80:84], "little"), offset=84)
    vertices, faces = np.unique(facets["corners"].reshape(-1, 3), axis=0, return_inverse=True)
    return vertices.astype(float), faces.reshape(-1, 3).astype(np.int32)


def sample_meshes() -> Path:
    """The folder of meshes that the installed pymeshlab ships."""
    import pymeshlab

    return Path(pymeshlab.__file__).parent / "tests" / "sample_meshes"


def cgal_meshes(root: Path) -> Path:
    """The folder of meshes inside Debian's libcgal-demo, unpacked beside its archive on first use."""
    folder = root / "usr/share/doc/libcgal-dev"
    if not (folder / "data").is_dir():
        with tarfile.open(folder / "data.tar.gz") as bundle:
            bundle.extractall(folder, filter="data")
    return folder / "data" / "meshes"


def _swept(corners: int, pairs: list[tuple[int, int]]) -> IndexArray:
    side = np.arange(corners)
    after = (side + 1) % corners
    faces = []
    for low, high in pairs:
        a, b, c, d = low * corners + side, low * corners + after, high * corners + after, high * corners + side
        faces += [np.column_stack([a, b, c]), np.column_stack([a, c, d])]
    return np.vstack(faces).astype(np.int32)


def _trimesh():  # type: ignore[no-untyped-def]
    import trimesh

    return trimesh


def cross_bored(bore_mm: float, size: float = 1.2) -> tuple[FloatArray, np.ndarray]:
    """A block with a through bore of that radius along x, and one of 10 mm along z that ends in it."""
    block = manifold3d.Manifold.cube((80, 40, 50)).translate((-40, -20, -20))
    along = manifold3d.Manifold.cylinder(100, bore_mm, bore_mm, 90, center=True).rotate((0, 90, 0))
    up = manifold3d.Manifold.cylinder(60, 10.0, 10.0, 72)
    solid = (block - along - up).refine_to_length(size).to_mesh64()
    return np.array(solid.vert_properties[:, :3]), np.array(solid.tri_verts, np.int32)


def off_bores(places: FloatArray, bore_mm: float) -> tuple[FloatArray, FloatArray]:
    """(n,) how far places (n, 3) lie outside of either bore of ``cross_bored``, the one along x first."""
    x, y, z = places.T
    return np.hypot(y, z) - bore_mm, np.hypot(x, y) - 10


def unseen(vertices: FloatArray, faces: np.ndarray, hidden: np.ndarray) -> Mesh:
    """A mesh without hidden faces (m,), all red."""
    used, number = np.unique(faces[~hidden], return_inverse=True)
    colours = np.full((len(used), 3), (200, 40, 40), np.uint8)
    return Mesh(vertices[used], number.reshape(-1, 3).astype(np.int32), colours=colours)
