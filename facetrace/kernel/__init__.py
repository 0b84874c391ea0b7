"""The compiled core: light at and between the facets of one convex stone.

Everything here is plain scalars and contiguous arrays, in millimetres and
radians, in the frame of the stone. The package knows no files, no names of
materials and no command line, and imports nothing but numpy, numba and math,
so that another driver (a GPU, say) can call the same functions.

Conventions, used by every module of the package:

* facet normals point OUT of the stone; a point r is inside when n.r <= d for all facets;
* wave vectors are reduced, K = k c / omega, so |K| is the phase index;
* time factor exp(-i omega t): an evanescent wave outside has q = +i|q|;
* fields are (E, H) with H = K x E, in units where the vacuum impedance is 1;
* "o" is the ordinary mode (0), "e" the extraordinary one (1).
"""
