"""Questions about a new file: answered by options, or asked on the terminal until the answer can be used."""

import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typer
from pydantic import BaseModel, TypeAdapter, ValidationError

from facetrace.cli.shell import complain
from facetrace.common.errors import FacetraceError
from facetrace.common.filekind import NO_FILE, no_file, no_such
from facetrace.common.meant import comma_in, nearest
from facetrace.common.names import control_character_in
from facetrace.common.tomlfile import in_words
from facetrace.optics.material import find_material

Answers = Mapping[str, Any]
NONE = "none"
MOST_LETTERS = 120


@dataclass(frozen=True)
class Question:
    """One question. key: of the answer, and its option's name.

    words: what is asked, with the unit; read: the answer from what was typed, or FacetraceError;
    usual: what Enter takes, as one would type it, None where nothing is usual; when: whether it is asked at all.
    All of them know the answers so far.
    """

    key: str
    words: Callable[[Answers], str]
    read: Callable[[str, Answers], Any]
    usual: Callable[[Answers], str | None] = lambda _: None
    when: Callable[[Answers], bool] = lambda _: True

    @property
    def option(self) -> str:
        """As one types it."""
        return f"--{self.key.replace('_', '-')}"


def answered(
    questions: Sequence[Question], given: Mapping[str, str], ask: bool, before: Mapping[str, str] | None = None
) -> tuple[dict[str, Any], dict[str, str]]:  # fmt: skip
    """The answers, and those among them, as typed, that are not the usual ones.

    given: by options, as typed; ask: whether a person can be asked for the others, else the usual is taken; before:
    what was typed the last time, which counts as the usual. Raises FacetraceError.
    """
    answers: dict[str, Any] = {}
    typed: dict[str, str] = {}
    for question in questions:
        key = question.key
        if not question.when(answers):
            _check_idle(question, given, answers)
            continue
        usual = question.usual(answers)
        offered = (before or {}).get(key, usual)
        if key in given:
            text, answers[key] = given[key], _option(question, given[key], answers)
        elif ask:
            text, answers[key] = _asked(question, offered, answers)
        elif offered is None:
            raise FacetraceError(f"{question.option} is missing ({question.words(answers)})")
        else:
            text, answers[key] = offered, question.read(offered, answers)
        if text != usual:
            typed[key] = text
    return answers, typed


def _check_idle(question: Question, given: Mapping[str, str], answers: Answers) -> None:
    """Raises FacetraceError for an option whose question does not come, unless it says the usual."""
    if question.key in given:
        usual = question.usual(answers)
        found = _option(question, given[question.key], answers)
        if usual is None or found != question.read(usual, answers):
            raise FacetraceError(f"{question.option}: means nothing with these answers; leave it out")  # fmt: skip


def _option(question: Question, text: str, answers: Answers) -> Any:
    try:
        return question.read(text, answers)
    except FacetraceError as problem:
        raise FacetraceError(f"{question.option}: {problem}") from None


def _asked(question: Question, usual: str | None, answers: Answers) -> tuple[str, Any]:
    """What was typed, and what it means; asked again until it can be used."""
    hint = "" if usual is None else f" [{usual}]"
    while True:
        text = typer.prompt(
            f"{question.words(answers)}{hint}", default=usual or "", show_default=False, err=True
        )
        try:
            if usual is None and not text.strip():
                raise FacetraceError(
                    "nothing is usual here, so an answer is needed (Ctrl-C ends it)"
                )
            return text, question.read(text, answers)
        except FacetraceError as problem:
            complain(problem)


# ---- what is typed, and what it means ----------------------------------------------------------


def number(kind: Any, unit: str = "") -> Callable[[str, Answers], float]:
    """Reads a number that a pydantic type takes; its unit may stand behind it."""
    return lambda text, _: _number(text.strip().removesuffix(unit).strip(), kind)


def number_or_none(kind: Any, unit: str = "") -> Callable[[str, Answers], float | None]:
    """The same, or "none"."""
    return lambda text, a: None if text.strip().lower() == NONE else number(kind, unit)(text, a)


def _number(text: str, kind: Any) -> float:
    comma = comma_in(text)
    if comma:
        raise FacetraceError(comma)
    try:
        found = float(text)
    except ValueError:
        raise FacetraceError(f"'{text}' is not a number, like 6.5") from None
    whole = int(found) if found.is_integer() else found
    try:
        return float(TypeAdapter(kind).validate_python(whole))
    except ValidationError as error:
        raise FacetraceError(in_words(error.errors()[0])) from None


def sizes(text: str, count: Sequence[int], example: str, kind: Any) -> tuple[float, ...]:
    """Numbers with an x or a space between them. Raises FacetraceError where they are not so many."""
    parts = [p for p in re.split(r"[x×*\s]+", text.lower().replace("mm", "").strip()) if p]
    if len(parts) not in count:
        raise FacetraceError(f"'{text}' is not {' or '.join(map(str, count))} numbers; write them like {example}")  # fmt: skip
    return tuple(_number(p, kind) for p in parts)


def point(text: str, count: int, example: str, kind: Any) -> tuple[float, ...]:
    """Numbers with a comma or a space between them, which may be negative. Raises FacetraceError."""
    parts = [p for p in re.split(r"[,;\s]+", text.strip(" []()")) if p]
    if len(parts) != count:
        raise FacetraceError(f"'{text}' is not {count} numbers; write them like {example}")
    return tuple(_number(p, kind) for p in parts)


def one_of(known: Callable[[Answers], Sequence[str]]) -> Callable[[str, Answers], str]:
    """Reads one of some words; its beginning is enough where it is one's alone."""

    def read(text: str, answers: Answers) -> str:
        words, wanted = known(answers), " ".join(text.lower().split())
        begun = [w for w in words if w.startswith(wanted)]
        if wanted in words or (wanted and len(begun) == 1):
            return wanted if wanted in words else begun[0]
        near = nearest(wanted, words)
        meant = f"did you mean {near}?" if near else f"it is one of: {', '.join(words)}"
        raise FacetraceError(f"'{text}' is not known; {meant}")

    return read


def plain_words(text: str, _: Answers) -> str:
    """Reads a name."""
    wrong = control_character_in(text)
    if wrong:
        raise FacetraceError(wrong)
    if not 0 < len(text.strip()) <= MOST_LETTERS:
        raise FacetraceError(f"must have 1 to {MOST_LETTERS} letters")
    return text.strip()


def fits(model: type[BaseModel], **data: Any) -> None:
    """Raises FacetraceError, in one line, where a part of a file cannot be so."""
    try:
        model.model_validate(data)
    except ValidationError as error:
        first = error.errors()[0]
        key = f"{first['loc'][-1]}: " if first["loc"] else ""
        raise FacetraceError(f"{key}{in_words(first)}") from None


# ---- a kind of file, and what several kinds ask ------------------------------------------------


@dataclass(frozen=True)
class NewFile:
    """A kind of file. questions: in their order; text: from the answers and the file's path.

    check: what the file's own reader says of the text, as lines for the user; it raises FacetraceError. sources: answers
    that are files which it names; after: the command to go on with.
    """

    questions: Sequence[Question]
    text: Callable[[Answers, Path], str]
    check: Callable[[str, Path], Sequence[str]]
    after: str
    sources: tuple[str, ...] = ()


def says(words: str) -> Callable[[Answers], str]:
    """The same words whatever was answered."""
    return lambda _: words


def old_file(text: str, _: Answers) -> Path:
    """Reads the path of a file that is there."""
    path = Path(plain_words(text, {}))
    wrong = no_file(path)
    if wrong:
        raise FacetraceError(f"{path}: {no_such(path) if wrong == NO_FILE else wrong}")
    return path


def named_from(new: Path, path: Path) -> str:
    """How a new file names another one: from its own folder. Raises FacetraceError."""
    try:
        return Path(os.path.relpath(path, new.parent)).as_posix()
    except ValueError:
        raise FacetraceError(f"{path}: lies on another drive than {new}; copy it there") from None


def material(text: str, _: Answers) -> str:
    """Reads a material's name, or a file's."""
    # a file of one's own lies beside the new file, and is looked for there
    if not text.strip().endswith(".toml"):
        find_material(text)
    return plain_words(text, {})


def number_of(model: type[BaseModel], key: str, unit: str = "") -> Callable[[str, Answers], float]:
    """Reads a number that a key of a model takes."""
    return number(model.model_fields[key].rebuild_annotation(), unit)


MATERIAL = Question("material", says("Material"), material, says("ruby"))
