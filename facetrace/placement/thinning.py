"""A scan's surface with fewer triangles, for the search. What is found is climbed on the scan itself, and certified there."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from facetrace.solid.body import Floats

Ints = NDArray[np.int64]

# measured at so many of the scan's corners at most
MEASURED = 20_000


@dataclass(frozen=True)
class Thinned:
    """vertices (n, 3) in mm, faces (m, 3). off_mm: no corner that was measured lies farther off the other surface."""

    vertices: Floats
    faces: Ints
    off_mm: float


def thinned(vertices: Floats, faces: Ints, most: int) -> Thinned:
    """A surface of about *most* triangles at the most (quadric error decimation: Garland & Heckbert, 1997, in VTK)."""
    if len(faces) <= most:
        return Thinned(vertices, faces, 0.0)
    from vtkmodules.vtkFiltersCore import vtkQuadricDecimation

    filter_ = vtkQuadricDecimation()
    filter_.SetInputData(_poly(vertices, faces))
    filter_.SetTargetReduction(1 - most / len(faces))
    filter_.Update()
    found = _arrays(filter_.GetOutput())
    off = max(_off(*found, vertices), _off(vertices, faces, found[0]))
    return Thinned(*found, off)


def _poly(vertices: Floats, faces: Ints):  # type: ignore[no-untyped-def]
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData

    points, cells, poly = vtkPoints(), vtkCellArray(), vtkPolyData()
    points.SetData(numpy_to_vtk(np.ascontiguousarray(vertices), deep=True))
    rows = np.column_stack([np.full(len(faces), 3), faces]).astype(np.int64)
    cells.ImportLegacyFormat(numpy_to_vtkIdTypeArray(rows.ravel(), deep=True))
    poly.SetPoints(points)
    poly.SetPolys(cells)
    return poly


def _arrays(poly) -> tuple[Floats, Ints]:  # type: ignore[no-untyped-def]
    from vtkmodules.util.numpy_support import vtk_to_numpy

    vertices = vtk_to_numpy(poly.GetPoints().GetData()).astype(np.float64)
    rows = vtk_to_numpy(poly.GetPolys().GetConnectivityArray()).reshape(-1, 3)
    return vertices, rows.astype(np.int64)


def _off(vertices: Floats, faces: Ints, points: Floats) -> float:
    """How far the farthest of *points*, or of MEASURED of them, lies off a surface."""
    from vtkmodules.util.numpy_support import numpy_to_vtk, vtk_to_numpy
    from vtkmodules.vtkFiltersCore import vtkImplicitPolyDataDistance

    step = max(1, len(points) // MEASURED)
    distance = vtkImplicitPolyDataDistance()
    distance.SetInput(_poly(vertices, faces))
    some = numpy_to_vtk(np.ascontiguousarray(points[::step]), deep=True)
    found = numpy_to_vtk(np.zeros(len(points[::step])), deep=True)
    distance.FunctionValue(some, found)
    return float(np.abs(vtk_to_numpy(found)).max())
