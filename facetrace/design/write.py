"""A design as TOML text again (``facetrace solid FILE --tiers``)."""

from facetrace.common.commented import key, value
from facetrace.design.model import Design


def design_toml(design: Design) -> str:
    """The design as a file that ``read_design`` reads back to the same design."""
    data = design.model_dump(exclude_none=True, exclude_defaults=True)
    tiers = data.pop("tier", [])
    data = {"name": design.name, "gear": design.gear, "material": design.material} | data
    lines = [f"{key(k)} = {value(v)}" for k, v in data.items() if not isinstance(v, dict)]
    for name, table in data.items():
        if isinstance(table, dict):
            lines += ["", f"[{name}]", *(f"{key(k)} = {value(v)}" for k, v in table.items())]
    for tier in tiers:
        lines += ["", "[[tier]]", *(f"{key(k)} = {value(v)}" for k, v in tier.items())]
    return "\n".join(lines) + "\n"
