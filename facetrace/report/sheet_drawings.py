"""The drawings of a bench sheet: the blank, the finished stone, the stone after each step."""

from facetrace.bench.steps import Bench
from facetrace.report.line_drawing import ABOVE, BELOW, END, SIDE, Drawing, scale_for

# room of the large drawings and of those beside a step, mm of paper
ROOM_MM, STEP_ROOM_MM = 60.0, 40.0
FINISHED = (ABOVE, BELOW, SIDE, END)


def sheet_drawings(bench: Bench, gear: int) -> dict[str, str]:
    """SVG by name: "preform", "finished-K" (FINISHED), "step-K-N" from the side that is cut and from the long side."""
    return {d.key: d.svg() for d in (_preform(bench, gear), *_finished(bench, gear), *_steps(bench, gear))}  # fmt: skip


def step_view(side: str) -> str:
    """Which side of the stone a step's drawing shows, in words."""
    return (BELOW if side == "pavilion" else ABOVE).words


def _preform(bench: Bench, gear: int) -> Drawing:
    pre = bench.preform.solid
    return Drawing(
        pre, ABOVE, "preform", scale_for(pre, ROOM_MM), "Outline of the blank", names={}, gear=gear
    )


def _labels(bench: Bench) -> dict[str, str]:
    """The number of its step, by facet."""
    return {x.name: str(k + 1) for k, s in enumerate(bench.steps) for x in s.facets}


def _finished(bench: Bench, gear: int) -> list[Drawing]:
    solid, m = bench.solid, bench.measures
    top, low = float(solid.vertices[:, 2].max()), float(solid.vertices[:, 2].min())
    levels = (top, top - m.crown_height_mm, low + m.pavilion_depth_mm, low)
    return [
        Drawing(
            solid, view, f"finished-{k}", scale_for(solid, ROOM_MM), f"Finished stone {view.words}",
            names=_labels(bench), gear=gear, levels=levels, hidden=not view.plan,
        )
        for k, view in enumerate(FINISHED)
    ]  # fmt: skip


def _steps(bench: Bench, gear: int) -> list[Drawing]:
    scale, labels = scale_for(bench.preform.solid, STEP_ROOM_MM), _labels(bench)
    return [
        Drawing(
            step.after, view, f"step-{k}-{n}", scale, f"After step {k + 1} {view.words}", names=labels,
            marked=[x.name for x in step.facets], gear=gear,
            positions=[x.index for x in step.facets] if view.plan else (), sizes=False, bar=False,
        )
        for k, step in enumerate(bench.steps)
        for n, view in enumerate((BELOW if step.side == "pavilion" else ABOVE, SIDE))
    ]  # fmt: skip
