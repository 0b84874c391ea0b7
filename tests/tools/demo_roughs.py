"""Makes the scan of the invented demo rough: python tests/tools/demo_roughs.py"""

import numpy as np
from shared import ROOT

from facetrace.rough.scan import of_points

FOLDER = ROOT / "designs" / "roughs"
POINTS = 260
SIZE_MM = np.array([12.2, 9.8, 8.6])
# a bowl: what of the pebble lies in a ball of that radius, centred that far out towards it, is gone
DENT = np.array([0.35, -0.5, 0.79])
DENT_MM, DENT_OUT_MM = 7.0, 10.7


def pebble():
    """(vertices, faces) of a waterworn pebble with a dent: even points on a sphere, pushed about."""
    rng = np.random.default_rng(7)
    k = np.arange(POINTS) + 0.5
    z, turn = 1 - 2 * k / POINTS, np.pi * (1 + 5**0.5) * k
    ball = np.column_stack(
        [np.sqrt(1 - z * z) * np.cos(turn), np.sqrt(1 - z * z) * np.sin(turn), z]
    )
    faces = of_points(ball).faces
    size = np.ones(POINTS)
    for power in (1, 2, 3):
        towards = rng.normal(size=(3, 3))
        waves = ball @ (towards / np.linalg.norm(towards, axis=1)[:, None]).T
        size += (0.02 / power * rng.normal(size=3) * waves**power).sum(axis=1)
    skin = ball * size[:, None] * SIZE_MM / 2
    out = DENT / np.linalg.norm(DENT)
    seen = skin - DENT_OUT_MM * out
    # push what lies in the ball straight in, onto its far side
    along = seen @ out
    across = np.sum(seen**2, axis=1) - along**2
    far = -np.sqrt(np.maximum(DENT_MM**2 - across, 0))
    gone = (across < DENT_MM**2) & (along > far)
    return skin + np.where(gone, far - along, 0)[:, None] * out, faces


def stl(vertices, faces):
    """A binary STL file's bytes."""
    corners = vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    rows = np.zeros(len(faces), dtype=[("numbers", "<f4", 12), ("extra", "<u2")])
    rows["numbers"] = np.concatenate([normals[:, None], corners], axis=1).reshape(-1, 12)
    head = b"invented pebble, mm".ljust(80) + np.uint32(len(faces)).tobytes()
    return head + rows.tobytes()


if __name__ == "__main__":
    (FOLDER / "cracked-pebble.stl").write_bytes(stl(*pebble()))
