"""A design as TOML text again (``facetrace solid FILE --tiers``)."""

from typing import Any

from facetrace.design.model import Design


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
        return '"' + escaped.replace("\t", "\\t") + '"'
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    return str(value)


def _key(key: str) -> str:
    return key if key.replace("_", "").isalnum() and key.isascii() else _value(key)


def design_toml(design: Design) -> str:
    """The design as a file that ``read_design`` reads back to the same design."""
    data = design.model_dump(exclude_none=True, exclude_defaults=True)
    tiers = data.pop("tier", [])
    data = {"name": design.name, "gear": design.gear, "material": design.material} | data
    lines = [f"{_key(k)} = {_value(v)}" for k, v in data.items() if not isinstance(v, dict)]
    for name, table in data.items():
        if isinstance(table, dict):
            lines += ["", f"[{name}]", *(f"{_key(k)} = {_value(v)}" for k, v in table.items())]
    for tier in tiers:
        lines += ["", "[[tier]]", *(f"{_key(k)} = {_value(v)}" for k, v in tier.items())]
    return "\n".join(lines) + "\n"
