"""Small vectors, component by component."""

from facetrace.kernel.compiling import device


@device
def across(nx, ny, nz):
    """Some vector at right angles to the unit vector N, not shorter than 0.6."""
    if abs(nx) < 0.6:
        return 0.0, -nz, ny
    return nz, 0.0, -nx
