"""A new rough file, with a remark beside each key (``facetrace new rough``)."""

from collections.abc import Sequence
from dataclasses import dataclass

from facetrace.common.commented import Entry, Table, commented, plain
from facetrace.rough.face import Side
from facetrace.rough.habit import CRYSTALS
from facetrace.rough.model import Loss

HEAD = (
    "A rough file. One frame for all that follows: x, y and z of the scan, or of the sizes below. Lengths are mm.",
    "To look at it: `facetrace view`. What it may become: `facetrace plan`. Lines behind a # are examples.",
)
HABITS = "pebble (waterworn), block (sawn), or the crystals plate, barrel, bipyramid"
WISHES = (
    "Each defect has a [[defect]] of its own. wish: cut away, inside (the stone may hold it, but not at its surface),",
    "under girdle, anywhere; of a zone of colour: hide. margin_mm: how far the stone stays off it.",
)
FACES = (
    "face: the side on which it is seen. at_mm: where on that side, two of x, y and z: without x on +x and -x,",
    "without y on +y and -y, without z on +z and -z. along_deg: how its length runs, from the first towards the second.",
)
EXAMPLES = (
    ("crystal", "crystal", "inside", ("face", "+x", "at_mm", [0, 0], "long_mm", 1, "under_mm", 0.5, "deep_mm", 1.5)),
    ("silk", "silk", "under girdle", ("face", "-z", "at_mm", [0, 0], "long_mm", 2, "deep_mm", 1)),
    ("pit", "pit", "cut away", ("face", "+x", "at_mm", [0, 0], "wide_mm", 1.2, "deep_mm", 0.8)),
)  # fmt: skip


@dataclass(frozen=True)
class Crack:
    """A crack as one sees it.

    side: where it is seen; at_mm: the middle of its line there; long_mm, deep_mm; along_deg: how the line runs, as in the file.
    """

    side: Side
    long_mm: float
    deep_mm: float
    at_mm: tuple[float, float] = (0.0, 0.0)
    along_deg: float = 0.0


def new_rough(
    shape: str, size_mm: Sequence[float] | None = None, *, scan: str | None = None, name: str | None = None,
    material: str = "ruby", carats: float | None = None, c_axis: Sequence[float] | None = None,
    crack: Crack | None = None, loss: Loss | None = None,
) -> str:  # fmt: skip
    """Text of a rough file.

    Parameters
    ----------
    shape: pebble, block, plate, barrel, bipyramid, or scan.
    size_mm: of all but a scan: along x, y and z; of crystals across the flats, across the corners, along c [mm].
    scan: the mesh's name from the file's folder.
    name, material: as in the file.
    carats: what it weighs, None where it was not weighed [ct].
    c_axis: how c points, (3,); a scan needs it, crystals have it along z.
    crack: one that was seen.
    loss: what is lost, the usual where it is left out.
    """
    lost = loss or Loss()
    top = (
        Entry("name", name or usual_name(shape, size_mm), "as tables and pages show it"),
        Entry("material", material, "what it is"),
        Entry("weighed_carats", plain(carats or 10), "what the balance says, ct", carats is None),
        Entry("notes", "", "whatever you want to keep with it"),
    )
    losses = (
        Entry("scan_mm", plain(lost.scan_mm), "how far the scan or the caliper may be off"),
        Entry("skin_mm", plain(lost.skin_mm), "what grinding and polishing take off the skin"),
        Entry("kerf_mm", plain(lost.kerf_mm), "width of a saw cut"),
    )
    return commented(HEAD, (
        Table("", top), Table("[shape]", _shape(shape, size_mm, scan, c_axis)), Table("[loss]", losses),
        *_defects(crack),
    ))  # fmt: skip


def usual_name(shape: str, size_mm: Sequence[float] | None) -> str:
    """Like "Pebble, 9 x 8 x 6 mm"."""
    sizes = f", {' x '.join(str(plain(s)) for s in size_mm)} mm" if size_mm else ""
    return f"{shape.capitalize()}{sizes}"


def _shape(
    shape: str, size_mm: Sequence[float] | None, scan: str | None, c_axis: Sequence[float] | None
) -> tuple[Entry, ...]:
    c = Entry("c_axis", [plain(x) for x in c_axis or (0, 0, 1)], "how the optic axis, c, points in this frame",
              c_axis is None)  # fmt: skip
    if scan is not None:
        return Entry("mesh", scan, "the scan: a closed mesh in mm, STL, OBJ or PLY"), c
    crystal = shape in CRYSTALS
    sizes = "across the flats, across the corners, along c" if crystal else "along x, y and z"
    corners = Entry("corners_mm", 0.5, "how deep small faces cut its corners", off=True)
    return (
        Entry("habit", shape, HABITS),
        Entry("size_mm", [plain(s) for s in size_mm or ()], f"{sizes}, as a caliper reads them"),
        *(() if crystal else (c,)),
        *((corners,) if shape == "plate" else ()),
    )


def _defects(crack: Crack | None) -> list[Table]:
    shown = crack or Crack("+x", 4, 2)
    keys = {
        "face": shown.side, "at_mm": [plain(x) for x in shown.at_mm], "along_deg": plain(shown.along_deg),
        "long_mm": plain(shown.long_mm), "deep_mm": plain(shown.deep_mm),
    }  # fmt: skip
    tables = [Table("[[defect]]", (
        Entry("name", "crack"), Entry("kind", "crack", "crack, crystal, silk, cloud, pit or zone"),
        Entry("wish", "cut away"), Entry("margin_mm", 0.1), Entry("from_face", keys),
    ), (*WISHES, *FACES), crack is None)]  # fmt: skip
    for name, kind, wish, place in EXAMPLES:
        pairs = dict(zip(place[::2], place[1::2], strict=True))
        entries = Entry("name", name), Entry("kind", kind), Entry("wish", wish), Entry("from_face", pairs)  # fmt: skip
        tables.append(Table("[[defect]]", entries, off=True))
    zone = (
        Entry("name", "blue flank"), Entry("kind", "zone"), Entry("wish", "hide"), Entry("material", "blue sapphire"),
        Entry("half_space", {"normal": [1, 0, 0], "from_mm": 3}, "all that lies further than this along the normal"),
    )  # fmt: skip
    return [*tables, Table("[[defect]]", zone, off=True)]
