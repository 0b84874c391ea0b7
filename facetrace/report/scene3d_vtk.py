"""Three dimensions by PyVista: a window, and pictures without a screen, each in a process of its own.

VTK ends a process by a segmentation fault where it finds no OpenGL (no EGL or X library), so it is
kept out of this one: ``vtk_pictures`` and ``show_window`` start ``python -m facetrace.report.scene3d_vtk`` and tell whether
that came to its end. Lines are in ``report.scene3d``.
"""

import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from facetrace.common.output import temporary_folder, write_whole
from facetrace.common.workers import end_with_parent
from facetrace.report.plan import COLOURS, HATCHES
from facetrace.report.scene3d import VIEWS, Mark, Part, Scene3D, scene_data, scene_from

Floats = NDArray[np.float64]
Pixels = NDArray[np.uint8]

# s: pictures take one or two; a driver that hangs is given up
PATIENCE = 120
# pictures are made so much finer and averaged, but no larger than this, pixels
FINER, LARGEST_PX = 3, 6000
ROUGH, ROUGH_EDGE = "#B8B8B8", "#6E6E6E"
STONE, STONE_EDGE = "#F4C6D4", "#7A1F3D"
# opacity of the rough, of a stone with something inside, of what is inside
THIN, GLASSY, INNER = 0.22, 0.42, 0.25
# hatch lines on what is as wide as all that is shown
HATCH_LINES = 36
# defects are shown so much smaller: faces that lie in the rough's skin would flicker
SHRUNK = 0.995
# where the lamp stands, seen from the eye: right, up, towards
LAMP, AMBIENT = (-0.35, 0.45, 0.82), 0.6
PEELS = 12
FAR = 10.0
WINDOWS = ("vtkXOpenGLRenderWindow", "vtkWin32OpenGLRenderWindow", "vtkCocoaRenderWindow")
NO_WINDOW = 3
# what the two processes hand each other, in a folder that is removed
TASK, PICTURES = "task.json", "pictures.npy"
HINT = "1 above  2 below  3 side  4 end  5 corner   drag: turn   wheel: zoom   shift-drag: move   q: close"


# ---- from this process ------------------------------------------------------------------------


def has_screen(environ: Mapping[str, str] = os.environ, platform: str = sys.platform) -> bool:
    """Whether a window can be expected to open."""
    if platform in ("win32", "darwin"):
        return True
    return bool(environ.get("DISPLAY") or environ.get("WAYLAND_DISPLAY"))


@dataclass(frozen=True)
class PictureTask:
    """Pictures that are wanted: square, *pixels* along a side that is 2 *reach* mm long, one for each frame."""

    scene: Scene3D
    frames: tuple[Floats, ...]
    reach: float
    pixels: int


def vtk_pictures(wanted: PictureTask) -> Pixels | None:
    """Pictures (n, pixels, pixels, 3), the first row on top; None where VTK finds no OpenGL to draw them."""
    own = os.environ.copy()
    if sys.platform.startswith("linux"):
        # else it looks for an X server first, and ends where the library is missing
        own.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    with temporary_folder() as folder:
        what = {
            "scene": scene_data(wanted.scene), "frames": [f.tolist() for f in wanted.frames],
            "reach": wanted.reach, "pixels": wanted.pixels,
        }  # fmt: skip
        if _run("pictures", folder, what, own, PATIENCE) != 0:
            return None
        found = np.load(folder / PICTURES, allow_pickle=False)
    return np.asarray(found) if _drawn(found) else None


def show_window(scene: Scene3D, size: tuple[int, int], view: str) -> bool:
    """Show the window until it is closed. False where none could be opened."""
    with temporary_folder() as folder:
        what = {"scene": scene_data(scene), "size": size, "view": view}
        return _run("window", folder, what, os.environ.copy(), None) == 0


def _drawn(images: Pixels) -> bool:
    """Whether something is on each of the pictures; a driver may fail without a word."""
    return all(int(np.ptp(image)) > 16 for image in images)


def _run(
    task: str, folder: Path, what: Mapping[str, Any], environ: dict[str, str], patience: float | None
) -> int:  # fmt: skip
    """The exit status of a process that has VTK do a task; the folder is this user's alone."""
    write_whole(folder / TASK, json.dumps(what).encode())
    command = [
        sys.executable,
        "-m",
        "facetrace.report.scene3d_vtk",
        task,
        str(folder),
        str(os.getpid()),
    ]
    try:
        done = subprocess.run(
            command, env=environ, timeout=patience, check=False, stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
    except (OSError, subprocess.TimeoutExpired):
        return -1
    return done.returncode


# ---- in a process of its own ------------------------------------------------------------------


@dataclass(frozen=True)
class Plot:
    """A plotter with what was put into it: surfaces whose cells have labels, by their actors."""

    plotter: Any
    surfaces: dict[Any, Part]


def plotter_with(
    scene: Scene3D, size: tuple[int, int], *, off_screen: bool, marks: bool = True, thick: int = 1
) -> Plot:
    """A plotter with all bodies; *marks*: with lines, hatches and names in space, as the window has them;
    *thick*: pixels of a line."""
    import pyvista
    from vtkmodules.vtkRenderingCore import vtkMapper

    # edges before the facets that they bound
    vtkMapper.SetResolveCoincidentTopologyToPolygonOffset()
    vtkMapper.SetResolveCoincidentTopologyPolygonOffsetParameters(2.0, 20.0)
    vtkMapper.SetResolveCoincidentTopologyLineOffsetParameters(-2.0, -20.0)
    plotter = pyvista.Plotter(
        off_screen=off_screen, window_size=list(size), title="facetrace view", lighting="none"
    )
    # with several samples in a pixel software renderers lose all that depth peeling has sorted
    plotter.render_window.SetMultiSamples(0)
    plotter.set_background("white")
    lamp = pyvista.Light(light_type="camera light", position=LAMP, intensity=1.0)
    plotter.add_light(lamp)
    plotter.enable_parallel_projection()
    plotter.enable_depth_peeling(number_of_peels=PEELS, occlusion_ratio=0.0)
    surfaces: dict[Any, Part] = {}
    for part in scene.parts:
        colour, opacity = _look(part, scene)
        actor = plotter.add_mesh(
            _surface(part), color=colour, opacity=opacity, ambient=AMBIENT, diffuse=1 - AMBIENT, specular=0.0,
            name=f"{part.role} {len(surfaces)}", reset_camera=False,
        )  # fmt: skip
        surfaces[actor] = part
        _add_edges(plotter, part, thick)
        if marks and part.role == "defect":
            _add_hatch(plotter, part, 2 * scene.reach(VIEWS.values()) / HATCH_LINES)
    if marks:
        for mark in scene.marks:
            _add_mark(plotter, mark)
        _add_names(plotter, scene)
    return Plot(plotter, surfaces)


def _look(part: Part, scene: Scene3D) -> tuple[str, float]:
    if part.role == "rough":
        return ROUGH, THIN
    if part.role == "stone":
        return STONE, GLASSY if scene.inside else 1.0
    return COLOURS[part.number % len(COLOURS)], INNER


def _surface(part: Part) -> Any:
    import pyvista

    cells = np.concatenate([[len(p), *p] for p in part.polygons])
    points = part.points
    if part.role == "defect":
        middle = points.mean(axis=0)
        points = middle + SHRUNK * (points - middle)
    return pyvista.PolyData(points, faces=cells)


def _lines(points: Floats, pairs: Any) -> Any:
    import pyvista

    cells = np.column_stack([np.full(len(pairs), 2), pairs]).ravel()
    return pyvista.PolyData(points, lines=cells)


def _add_edges(plotter: Any, part: Part, thick: int) -> None:
    pairs, _ = part.edges
    if not len(pairs):
        return
    colour = {"rough": ROUGH_EDGE, "stone": STONE_EDGE}.get(part.role, COLOURS[part.number % len(COLOURS)])  # fmt: skip
    width = thick * (0.8 if part.role == "rough" else 1.1)
    plotter.add_mesh(_lines(part.points, pairs), color=colour, line_width=width, lighting=False, reset_camera=False, pickable=False)  # fmt: skip


def _add_hatch(plotter: Any, part: Part, apart: float) -> None:
    """Lines on a defect where planes that far apart, mm, cut it, in the directions of its hatch; for dots, their meets."""
    axes = np.linalg.svd(part.points - part.points.mean(axis=0))[2]
    u, v = axes[0], axes[1]
    pattern = HATCHES[part.number % len(HATCHES)][0]
    across = {"/": [u - v], "\\": [u + v], "x": [u - v, u + v], ".": [u, v], "|": [u], "-": [v]}
    surface = _surface(part)
    found: list[Any] = []
    for normal in across[pattern]:
        if pattern != "." or not found:
            found.append(_cut(surface, normal, apart))
        else:
            found = [_cut(found[0], normal, apart)]
    colour = COLOURS[part.number % len(COLOURS)]
    for lines in found:
        if lines.n_points:
            plotter.add_mesh(
                lines, color=colour, line_width=1.0, lighting=False, point_size=5, reset_camera=False, pickable=False,
            )  # fmt: skip


def _cut(data: Any, normal: Floats, apart: float) -> Any:
    along = np.asarray(data.points) @ (normal / np.linalg.norm(normal))
    count = max(1, round(float(np.ptp(along)) / apart)) if len(along) else 1
    low, high = (float(along.min()), float(along.max())) if len(along) else (0.0, 0.0)
    levels = low + (high - low) * (np.arange(count) + 0.5) / count
    return data.contour(isosurfaces=list(levels), scalars=along)


def dashes(mark: Mark, count: int = 12) -> Floats:
    """(m, 2, 3): an axis as dashes and dots between its ends, a direction as one line."""
    if not mark.axis:
        return np.array([[mark.start, mark.end]])
    shares = []
    for k in range(count):
        shares += [(k, k + 0.55), (k + 0.74, k + 0.81)]
    last = shares[-1][1]
    along = mark.end - mark.start
    return np.array(
        [[mark.start + a / last * along, mark.start + b / last * along] for a, b in shares]
    )


def _add_mark(plotter: Any, mark: Mark) -> None:
    import pyvista

    pieces = dashes(mark)
    points = pieces.reshape(-1, 3)
    lines = _lines(points, np.arange(len(points)).reshape(-1, 2))
    plotter.add_mesh(lines, color="black", line_width=2, lighting=False, reset_camera=False, name=f"mark {mark.name}", pickable=False)  # fmt: skip
    if not mark.axis:
        along = mark.end - mark.start
        length = float(np.linalg.norm(along))
        tip = pyvista.Cone(
            center=mark.end, direction=along, height=0.3 * length, radius=0.09 * length
        )
        plotter.add_mesh(tip, color="black", lighting=False, reset_camera=False, pickable=False)


def _add_names(plotter: Any, scene: Scene3D) -> None:
    words = {number: text for text, number in scene.legend}
    at = [m.end + (0.08 if m.axis else 0.45) * (m.end - m.start) for m in scene.marks]
    names = [m.name for m in scene.marks]
    for number in dict.fromkeys(p.number for p in scene.parts if p.role == "defect"):
        first = next(p for p in scene.parts if p.role == "defect" and p.number == number)
        at.append(first.points[int(np.argmax(np.linalg.norm(first.points - scene.middle, axis=1)))])
        names.append(words.get(number, first.name))
    plotter.add_point_labels(
        np.array(at), names, font_size=13, justification_horizontal="center", justification_vertical="center", text_color="black", shape=None, show_points=False, always_visible=True, reset_camera=False, pickable=False,
    )  # fmt: skip


def aim_camera(plotter: Any, middle: Floats, frame: Floats, reach: float) -> None:
    """Look along a frame: right, up and eye as columns; *reach* mm from the middle to the upper edge."""
    camera = plotter.camera
    camera.focal_point = tuple(middle)
    camera.position = tuple(middle + FAR * reach * frame[:, 2])
    camera.up = tuple(frame[:, 1])
    camera.parallel_projection = True
    camera.parallel_scale = reach
    plotter.renderer.reset_camera_clipping_range()


def draw_pictures(wanted: PictureTask) -> Pixels:
    """Pictures as ``vtk_pictures`` gives them; made in this process."""
    finer = max(1, min(FINER, LARGEST_PX // wanted.pixels))
    side = finer * wanted.pixels
    plotter = plotter_with(
        wanted.scene, (side, side), off_screen=True, marks=False, thick=finer
    ).plotter
    found = []
    for frame in wanted.frames:
        aim_camera(plotter, wanted.scene.middle, frame, wanted.reach)
        plotter.render()
        image = np.asarray(plotter.screenshot(None, return_img=True), dtype=np.float64)[..., :3]
        blocks = image.reshape(wanted.pixels, finer, wanted.pixels, finer, 3)
        found.append(blocks.mean(axis=(1, 3)).round().astype(np.uint8))
    plotter.close()
    return np.array(found)


# ---- the window -------------------------------------------------------------------------------


def window_plot(
    scene: Scene3D, size: tuple[int, int], view: str, *, off_screen: bool = False
) -> Plot:
    """The window before it is shown: bodies, marks, hint line, scale bar, keys and what the pointer tells."""
    made = plotter_with(scene, size, off_screen=off_screen)
    plotter = made.plotter
    reach = scene.reach(VIEWS.values()) * max(1.0, size[1] / size[0])
    plotter.add_text(scene.title, position="upper_left", font_size=10, color="black", name="title")
    plotter.add_text(HINT, position="lower_left", font_size=8, color="black", name="hint")
    for text, line in zip(scene.words, range(len(scene.words)), strict=True):
        plotter.add_text(text, position=(8, size[1] - 46 - 17 * line), font_size=7, color="#404040", name=f"words {line}")  # fmt: skip
    _add_scale(plotter)
    _add_pointer(made, size)
    # of the keys that PyVista takes by itself none is of use here
    plotter.iren.clear_key_event_callbacks()
    plotter.add_key_event("q", plotter.iren.terminate_app)
    for key, name in enumerate(("above", "below", "side", "end", "corner"), start=1):
        plotter.add_key_event(str(key), _turner(plotter, scene.middle, VIEWS[name], reach))
    aim_camera(plotter, scene.middle, VIEWS[view], reach)
    return made


def _turner(plotter: Any, middle: Floats, frame: Floats, reach: float) -> Any:
    def turn() -> None:
        aim_camera(plotter, middle, frame, reach)
        plotter.render()

    return turn


def round_length(most: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is at most *most*."""
    power = 10.0 ** np.floor(np.log10(most))
    return float(max(k * power for k in (1.0, 2.0, 5.0) if k * power <= most * (1 + 1e-9)))


def _add_scale(plotter: Any) -> None:
    """A bar in the lower right corner that keeps its length in mm while one zooms."""
    import pyvista
    from vtkmodules.vtkRenderingCore import vtkActor2D, vtkPolyDataMapper2D, vtkTextActor

    mapper, actor = vtkPolyDataMapper2D(), vtkActor2D()
    actor.SetMapper(mapper)
    mapper.ScalarVisibilityOff()
    actor.GetProperty().SetColor(0, 0, 0)
    actor.GetProperty().SetLineWidth(3)
    plotter.renderer.AddViewProp(actor)
    words = vtkTextActor()
    words.GetTextProperty().SetColor(0, 0, 0)
    words.GetTextProperty().SetFontSize(15)
    words.GetTextProperty().SetJustificationToRight()
    plotter.renderer.AddViewProp(words)

    def follow(*_: object) -> None:
        width, height = plotter.render_window.GetSize()
        each = height / (2 * plotter.camera.parallel_scale)
        length = round_length(0.22 * width / each)
        right = width - 16.0
        line = pyvista.Line((right - length * each, 34, 0), (right, 34, 0))
        mapper.SetInputData(line)
        words.SetInput(f"{length:g} mm")
        words.SetPosition(right, 40)

    follow()
    plotter.renderer.AddObserver("StartEvent", follow)


def _add_pointer(made: Plot, size: tuple[int, int]) -> None:
    """What the pointer is over is told in words, and a facet's outline drawn; a click keeps it until the next."""
    plotter = made.plotter
    kept = {"label": "", "until": False}

    def tell(*_: object, click: bool = False) -> None:
        if kept["until"] and not click:
            return
        found = facet_at(made, plotter.iren.get_event_position())
        label = found[1] if found else ""
        kept["until"] = click and bool(label)
        if label == kept["label"]:
            return
        kept["label"] = label
        plotter.add_text(
            label, position=(8, 40), font_size=11, color="black", name="told", render=False
        )
        if found and found[0].role == "stone":
            part, _label, cell = found
            ring = part.polygons[cell]
            pairs = np.column_stack([np.arange(len(ring)), np.roll(np.arange(len(ring)), -1)])
            plotter.add_mesh(
                _lines(part.points[ring], pairs), color="black", line_width=4, lighting=False, name="outlined",
                reset_camera=False, pickable=False, render=False,
            )  # fmt: skip
        else:
            plotter.remove_actor("outlined", render=False)
        plotter.render()

    plotter.iren.add_observer("MouseMoveEvent", tell)
    plotter.iren.add_observer("LeftButtonPressEvent", lambda *_: tell(click=True))


def facet_at(made: Plot, at: Sequence[int]) -> tuple[Part, str, int] | None:
    """(part, label, number of its polygon) under a place of the window in pixels from below left.

    A stone or a defect before the rough around it; None where there is nothing.
    """
    from vtkmodules.vtkRenderingCore import vtkCellPicker

    for inner in (True, False):
        picker = vtkCellPicker()
        # with none at all a level polygon is missed by rounding
        picker.SetTolerance(1e-5)
        picker.PickFromListOn()
        for actor, part in made.surfaces.items():
            if (part.role != "rough") == inner:
                picker.AddPickList(actor)
        if picker.Pick(float(at[0]), float(at[1]), 0.0, made.plotter.renderer):
            part = made.surfaces[picker.GetActor()]
            cell = int(picker.GetCellId())
            return part, part.labels[cell], cell
    return None


def _show(scene: Scene3D, size: tuple[int, int], view: str) -> int:
    plotter = window_plot(scene, size, view).plotter
    if plotter.render_window.GetClassName() not in WINDOWS:
        return NO_WINDOW
    # the keys of VTK itself (3: red and green glasses) would come between
    plotter.iren.interactor.GetInteractorStyle().AddObserver("CharEvent", lambda *_: None)
    plotter.show(auto_close=False)
    return 0


def main(task: str, folder: Path) -> int:
    """Do a task of ``vtk_pictures`` or ``show_window``; returns the exit status."""
    asked = folder / TASK
    what = json.loads(asked.read_text(encoding="utf-8"))
    # nothing but an empty folder is left where this process is killed
    asked.unlink()
    scene = scene_from(what["scene"])
    if task == "window":
        return _show(scene, what["size"], what["view"])
    wanted = PictureTask(scene, tuple(map(np.array, what["frames"])), what["reach"], what["pixels"])
    np.save(folder / PICTURES, draw_pictures(wanted), allow_pickle=False)
    return 0


if __name__ == "__main__":
    end_with_parent(int(sys.argv[3]))
    # VTK may fall over its own shutdown once all is done
    status = main(sys.argv[1], Path(sys.argv[2]))
    os._exit(status)
