"""Material files: sources, marks, names. Published values are in facetrace/checks/matter.py."""

import pytest

from facetrace.common.errors import FacetraceError
from facetrace.optics.material import find_material, material_names


def test_every_number_has_a_source_and_memory_is_marked():
    for name in material_names():
        data = find_material(name).data
        assert data.density_source
        assert data.dispersion.source
        for chromophore in data.chromophore:
            assert chromophore.source
            assert chromophore.provisional or "memory" not in chromophore.source
    assert find_material("ruby").provisional == ("Cr3+", "h-Cr3+")
    assert find_material("diamond").provisional == ()


def test_unknown_names_say_what_is_known():
    with pytest.raises(FacetraceError, match="no material 'rubby'; known: corundum, ruby"):
        find_material("rubby")
    with pytest.raises(FacetraceError, match=r"chromophore 'Cr' .*known: Cr3\+"):
        find_material("ruby", {"Cr": 1})
