"""TOML file -> checked model, with file, line, key and remedy in every complaint."""

import json
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

import pydantic

from facetrace.common.errors import FileError, shortened, visible
from facetrace.common.filekind import (
    NO_FILE,
    Kind,
    foreign,
    is_of,
    kind_in,
    kind_wanted,
    no_file,
    no_such,
)
from facetrace.common.meant import comma_in, nearest
from facetrace.common.names import check_path, control_characters_in
from facetrace.common.output import check_not_a_target

MOST_BYTES = 2_000_000
# complaints about one file that are looked at, and letters of a key that are told
MOST_COMPLAINTS, MOST_KEY = 1000, 60
# parts of a key, like a.b.c
MOST_DOTS = 200

Model = TypeVar("Model", bound=pydantic.BaseModel)


class Strict(pydantic.BaseModel):
    """Base of every model of a file: no unknown keys, no NaN or infinity, no number in quotes, immutable."""

    model_config = pydantic.ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, str_strip_whitespace=True, strict=True
    )


class MisplacedError(ValueError):
    """For the check of a whole model: what is wrong with something in it, and where that stands."""

    def __init__(self, loc: tuple[int | str, ...], problem: str) -> None:
        self.loc = loc
        super().__init__(problem)


# of a tuple's type: TOML has lists only; what is in it stays strict
AS_LIST = pydantic.Field(strict=False)


def read_text(
    path: Path, needed: str = "a text file is needed here", most: int = MOST_BYTES
) -> str:
    """The file's text (UTF-8). Raises FileError where there is none, or the file clearly is something else.

    *needed*: what to say then; most: bytes.
    """
    check_path(path)
    problem = no_file(path)
    if problem:
        raise FileError(path, None, "", no_such(path) if problem == NO_FILE else problem)
    check_not_a_target(path)
    try:
        other = foreign(path)
        if other:
            raise FileError(path, None, "", f"is {other}; {needed}")
        if path.stat().st_size > most:
            raise FileError(path, None, "", f"is larger than {most // 1_000_000} MB; {needed}")
        # some editors begin a file with a byte order mark
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise FileError(path, None, "", "is not a text file in UTF-8") from None
    except OSError as error:
        raise FileError(path, None, "", f"cannot be read ({error.strerror})") from None


def read_model(path: Path, model: type[Model]) -> tuple[Model, str]:
    """Read and check a TOML file; returns the model and the text it came from."""
    kind = kind_wanted(model.model_fields)
    needed = kind.needed if kind else "a TOML file is needed here"
    text = read_text(path, needed)
    if not text.strip():
        raise FileError(path, None, "", f"is empty; {needed}")
    return parse_model(text, path, model), text


class _AnyKeys(pydantic.BaseModel):
    model_config = pydantic.ConfigDict(extra="allow")


def kind_in_file(path: Path, needed: str) -> Kind | None:
    """What kind of TOML file this is, None for none that is known; *needed*: what to say where it cannot be read. Raises FileError."""
    return kind_in(parse_model(read_text(path, needed), path, _AnyKeys).model_extra or {})


def parse_model(text: str, path: object, model: type[Model]) -> Model:
    """Check TOML text against a model. Raises FileError with the first thing that is wrong."""
    if any(part.count(".") > MOST_DOTS for part in re.split(r"[=,\n]", text)):
        # the time that a key takes goes with the square of its parts
        raise FileError(path, None, "", f"a key has more than {MOST_DOTS} parts; keys have few")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        line = int(found.group(1)) if found else None
        reason = re.sub(r"\s*\(at .*\)$", "", str(error))
        general = f"{reason} (a line is: key = value, text in quotes)"
        meant = _meant(text.splitlines()[line - 1]) if line else None
        raise FileError(path, line, "", f"not valid TOML: {meant or general}") from None
    except RecursionError:
        raise FileError(path, None, "", "is nested too deeply") from None
    except ValueError:
        # of Python, whose whole numbers have at most 4,300 digits, and whose calendar ends
        raise FileError(
            path, None, "", "holds a number or date that is too long to be read"
        ) from None
    for loc, wrong in control_characters_in(data):
        raise FileError(path, line_of(text, loc), visible(key_name(loc)), wrong)
    try:
        return model.model_validate(data)
    except pydantic.ValidationError as error:
        wanted, other = kind_wanted(model.model_fields), kind_in(data)
        if wanted and other and not is_of(wanted, data):
            raise FileError(path, None, "", f"is {other.words}; {wanted.needed}") from None
        first = _first(error, model)
        loc = first["loc"] + getattr(first.get("ctx", {}).get("error"), "loc", ())
        raise FileError(path, line_of(text, loc), key_name(loc), _explain(first, model)) from None


def _meant(line: str) -> str | None:
    """What is probably meant by a line that is no TOML."""
    comma = re.fullmatch(r"\s*[\w.-]+\s*=\s*([-+]?\d+,\d+)\s*(#.*)?", line)
    if comma:
        return comma_in(comma[1])
    unit = re.fullmatch(
        r"\s*([\w.-]+\s*=\s*[-+]?\d+(?:\.\d+)?)\s*[^\s\d.,:eExob_#-][^#]*(#.*)?", line
    )
    if unit:
        return f"a number stands alone, without its unit; write {unit[1]}"
    point = re.search(r"[=\[,]\s*([-+]?)\.(\d+)", line)
    if point:
        return f"{point[1]}.{point[2]} begins with a point; write {point[1]}0.{point[2]}"
    if re.search(r'=\s*"[^"]*\\', line):
        return "\\ begins a sign of its own; write / in paths, like ../scans/a.stl"
    bare = re.fullmatch(r"\s*([\w.-]+\s*=)\s*([^\W\d][^\"'=\[\]{}#]*?)\s*(#.*)?", line)
    return f'text without quotes; write {bare[1]} "{bare[2]}"' if bare else None


def _first(error: pydantic.ValidationError, model: type[pydantic.BaseModel]) -> Any:
    """The complaint to tell: of a misspelt key sooner than of the key that is missing for it."""
    found = error.errors(include_url=False)

    def rank(one: Any) -> tuple[int, bool, bool, bool]:
        unknown, told = one["type"] == "extra_forbidden", one["type"] == "value_error"
        # of the branches of a union, the one that got furthest is what was meant
        return len(_path(one["loc"])), unknown and _near(one, model) is not None, told, not unknown

    return max(found[:MOST_COMPLAINTS], key=rank)


@dataclass(frozen=True)
class ModelFile(Generic[Model]):
    """A file's model with the text it was read from, so that later complaints can name a line."""

    path: Path
    text: str
    model: Model

    def error(self, loc: tuple[int | str, ...], problem: object) -> FileError:
        """The problem with file, line and key in front."""
        return FileError(self.path, line_of(self.text, loc), key_name(loc), str(problem))


def schema_text(model: type[pydantic.BaseModel], title: str) -> str:
    """The JSON schema of a file's model, for editors."""
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **model.model_json_schema(),
    }
    schema["title"] = title
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def key_name(loc: tuple[int | str, ...]) -> str:
    """tier[2].angle for ("tier", 1, "angle"): items are counted from 1, as a person does."""
    name = ""
    for part in loc:
        if isinstance(part, int):
            name += f"[{part + 1}]"
        elif not _is_branch(part):
            shown = shortened(part, MOST_KEY)
            name += f".{shown}" if name else shown
    return name


def _is_branch(part: str) -> bool:
    """Names that pydantic adds for the branches of a union, not keys of the file."""
    return bool(re.search(r"[\[\(]|^constrained-", part)) or part in _BRANCHES


_BRANCHES = {"float", "int", "str", "bool", "IndexSet"}


def _path(loc: tuple[int | str, ...]) -> tuple[int | str, ...]:
    return tuple(part for part in loc if isinstance(part, int) or not _is_branch(part))


_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(
    r"""^\s*((?:[A-Za-z0-9_\-+]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_\-+]+|"[^"]*"))*)\s*="""
)


def _split(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


def line_of(text: str, loc: tuple[int | str, ...]) -> int | None:
    """Line (from 1) of the key or table that is nearest to *loc*."""
    wanted = _path(loc)
    counts: dict[tuple[str, ...], int] = {}
    prefix: tuple[int | str, ...] = ()
    best_line: int | None = None
    best_length = 0
    for number, line in enumerate(text.splitlines(), start=1):
        header = _HEADER.match(line)
        if header:
            names = _split(header.group(2))
            if header.group(1) == "[[":
                counts[names] = counts.get(names, -1) + 1
                prefix = (*names, counts[names])
            else:
                prefix = names
            path: tuple[int | str, ...] = prefix
        else:
            key = _KEY.match(line)
            if not key:
                continue
            path = (*prefix, *_split(key.group(1)))
        if path == wanted[: len(path)] and len(path) > best_length:
            best_line, best_length = number, len(path)
    return best_line


def _fields_at(model: type[pydantic.BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """The keys that may stand where *loc* ends, found by walking the model's annotations."""
    current: Any = model
    for part in _path(loc)[:-1]:
        if isinstance(part, int):
            continue
        field = getattr(current, "model_fields", {}).get(part)
        if field is None:
            break
        current = _model_in(field.annotation) or current
    return sorted(getattr(current, "model_fields", {}))


def _model_in(annotation: Any) -> type[pydantic.BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, pydantic.BaseModel):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        found = _model_in(inner)
        if found:
            return found
    return None


def _explain(error: Any, model: type[pydantic.BaseModel]) -> str:
    kind, loc = error["type"], error["loc"]
    if kind == "extra_forbidden":
        near = _near(error, model)
        hint = (
            f"did you mean '{near}'?"
            if near
            else f"known here: {', '.join(_fields_at(model, loc))}"
        )
        return f"unknown key; {hint}"
    return in_words(error)


def _near(error: Any, model: type[pydantic.BaseModel]) -> str | None:
    """The key that an unknown one may have been meant for."""
    return nearest(str(error["loc"][-1]), _fields_at(model, error["loc"]))


# what a value must be, by pydantic's names for what is wrong; {} are its facts
_MUST = {
    "float": "must be a number, like 0.25, without quotes",
    "int": "must be a whole number, like 16, without quotes",
    "string": "must be a text in quotes",
    "bool": "must be true or false",
    "list": "must be a list in brackets, like [1, 2]",
    "tuple": "must be a list in brackets, like [1, 2]",
    "dict": "must be a table of keys",
    "model": "must be a table of keys",
    "literal_error": "must be {expected}",
    "finite_number": "must be a number to calculate with",
    "greater_than": "must be more than {gt}",
    "greater_than_equal": "must be at least {ge}",
    "less_than": "must be less than {lt}",
    "less_than_equal": "must be at most {le}",
    "too_short": "must have at least {min_length} items, but has {actual_length}",
    "too_long": "must have at most {max_length} items (a number has a decimal point, like 12.5)",
    "string_too_short": "must have at least {min_length} letters",
    "string_too_long": "must have at most {max_length} letters",
    "string_pattern_mismatch": "must not hold @, tabs or ends of lines",
    "missing": "is missing; it must be given",
}


def in_words(error: Any) -> str:
    """What pydantic says is wrong (an item of ``errors()``), in plain words."""
    kind, message = error["type"], str(error["msg"])
    told = error.get("ctx", {})
    if kind == "missing" and isinstance(error["loc"][-1], int):
        return "is missing; more numbers are needed here"
    if kind in ("value_error", "assertion_error"):
        message = message.removeprefix("Value error, ").removeprefix("Assertion failed, ")
        return message[0].lower() + message[1:]
    words = _MUST.get(kind) or _MUST.get(kind.split("_")[0]) or message[0].lower() + message[1:]
    text = words.format(**{k: f"{v:g}" if isinstance(v, float) else v for k, v in told.items()})
    value = _shown(error.get("input"))
    return f"{text}, but is {value}" if value and kind != "missing" and "but has" not in text else text  # fmt: skip


def _shown(value: Any) -> str:
    """A value as the file has it, "" where it is long."""
    if isinstance(value, int) and not isinstance(value, bool) and value.bit_length() > 200:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (list, dict)) and len(value) > 10:
        return ""
    text = repr(value)
    return text if len(text) <= 60 else ""
