"""TOML file -> checked model, with file, line, key and remedy in every complaint."""

import difflib
import json
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

import pydantic

from facetrace.common.errors import FileError
from facetrace.common.filekind import foreign, is_of, kind_in, kind_wanted
from facetrace.common.names import check_path, odd_words, visible

MAX_BYTES = 2_000_000

Model = TypeVar("Model", bound=pydantic.BaseModel)


class Strict(pydantic.BaseModel):
    """Base of every model of a file: no unknown keys, no NaN or infinity, immutable."""

    model_config = pydantic.ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, str_strip_whitespace=True
    )


class MisplacedError(ValueError):
    """For the check of a whole model: what is wrong with something in it, and where that stands."""

    def __init__(self, loc: tuple[int | str, ...], problem: str) -> None:
        self.loc = loc
        super().__init__(problem)


def read_text(path: Path, needed: str = "a text file is needed here", most: int = MAX_BYTES) -> str:
    """The file's text (UTF-8). Raises FileError where there is none, or the file clearly is something else.

    *needed*: what to say then; most: bytes.
    """
    check_path(path)
    try:
        if path.is_dir():
            raise FileError(path, None, "", "is a folder; name a file")
        if path.exists() and not path.is_file():
            raise FileError(path, None, "", "is a pipe or a device; name a file")
        other = foreign(path)
        if other:
            raise FileError(path, None, "", f"is {other}; {needed}")
        if path.stat().st_size > most:
            raise FileError(path, None, "", f"is larger than {most // 1_000_000} MB")
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise FileError(path, None, "", no_such(path)) from None
    except UnicodeDecodeError:
        raise FileError(path, None, "", "is not a text file in UTF-8") from None
    except (OSError, ValueError) as error:
        raise FileError(path, None, "", f"cannot be read ({error})") from None


def no_such(path: Path) -> str:
    """ "no such file", and which one may be meant."""
    beside = [p for p in sorted(path.parent.glob(f"*{path.suffix}")) if p.is_file()]
    near = difflib.get_close_matches(path.stem, [p.stem for p in beside], n=1)
    if not near:
        return "no such file"
    return f"no such file; did you mean {path.with_name(near[0] + path.suffix)}?"


def read_model(path: Path, model: type[Model]) -> tuple[Model, str]:
    """Read and check a TOML file; returns the model and the text it came from."""
    kind = kind_wanted(model.model_fields)
    needed = kind.needed if kind else "a TOML file is needed here"
    text = read_text(path, needed)
    if not text.strip():
        raise FileError(path, None, "", f"is empty; {needed}")
    return parse_model(text, path, model), text


def parse_model(text: str, path: object, model: type[Model]) -> Model:
    """Check TOML text against a model. Raises FileError with the first thing that is wrong."""
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
    for loc, wrong in odd_words(data):
        raise FileError(path, line_of(text, loc), visible(key_name(loc)), wrong)
    try:
        return model.model_validate(data)
    except pydantic.ValidationError as error:
        wanted, other = kind_wanted(model.model_fields), kind_in(data)
        if wanted and other and not is_of(wanted, data):
            raise FileError(path, None, "", f"is {other.words}; {wanted.needed}") from None
        # of the branches of a union, the one that got furthest is what was meant; a key that is missing may be there misspelt
        first = max(
            error.errors(include_url=False),
            key=lambda e: (len(_path(e["loc"])), e["type"] == "extra_forbidden"),
        )
        loc = first["loc"] + getattr(first.get("ctx", {}).get("error"), "loc", ())
        raise FileError(path, line_of(text, loc), key_name(loc), _explain(first, model)) from None


def _meant(line: str) -> str | None:
    """What is probably meant by a line that is no TOML."""
    comma = re.fullmatch(r"\s*[\w.-]+\s*=\s*([-+]?\d+),(\d+)\s*(#.*)?", line)
    if comma:
        return f"{comma[1]},{comma[2]} has a decimal comma; write {comma[1]}.{comma[2]}"
    bare = re.fullmatch(r"\s*([\w.-]+\s*=)\s*([^\W\d][^\"'=\[\]{}#]*?)\s*(#.*)?", line)
    return f'text without quotes; write {bare[1]} "{bare[2]}"' if bare else None


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
            name += f".{part}" if name else part
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
        known = _fields_at(model, loc)
        near = difflib.get_close_matches(str(loc[-1]), known, n=1)
        hint = f"did you mean '{near[0]}'?" if near else f"known here: {', '.join(known)}"
        return f"unknown key; {hint}"
    if kind == "missing":
        return "is missing; it must be given"
    message = str(error["msg"])
    message = message.removeprefix("Value error, ").removeprefix("Assertion failed, ")
    message = message[0].lower() + message[1:]
    value = repr(error.get("input"))
    if kind.startswith("value_error") or len(value) > 60:
        return message
    return f"{message}, but is {value}"
