"""Runs facetrace on hostile files and judges how it ends: ``python tests/tools/fuzz.py --help``.

Every input must end with 0 or 2, with 2 in one clear line on stderr, within 10 s and 1 GB, and never by a traceback.
Inputs come from hypothesis (``grammar``: shipped examples with something wrong put in, and stones, spectra and meshes made
up), from atheris where it is installed, else from a mutator of our own (``bytes``), and from what a path may lead to
(``path``: folders, loops, pipes, devices, other encodings). What fails is kept with the command to run it again.
"""

import argparse
import contextlib
import hashlib
import importlib
import io
import itertools
import json
import os
import pkgutil
import random
import re
import resource
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
import zlib
from collections import defaultdict
from dataclasses import asdict, dataclass
from pathlib import Path

from fuzz_inputs import KINDS, MESHES, ROOT, mesh_bytes, mutated, strategy

WAYS = ("path", "grammar", "bytes")
SECONDS, MEGABYTES = 10.0, 1024
# seconds are those of the processor, so that other work on the machine fails no input; what waits, as for a pipe, is ended
# after so many by the clock, and the supervisor ends a worker that sits in compiled code
WAITING, PATIENCE = 30.0, 120.0
# address space: what asks for more gets a MemoryError instead of the machine
SPACE = 6 << 30
# letters of a line that one still reads
LONGEST = 400
BATCH = 100
JARGON = re.compile(
    r"traceback|pydantic|numpy|scipy|trimesh|ndarray|nonetype|<class|object at 0x|errno|valid (dictionary|list|string|number|integer|tuple)"
    r"|valid boolean|instance of|qhull|\bQH\d|linalg|codec can't|unpack|broadcast|not subscriptable|keyerror|out of bounds|literal_error"
    r"|input should|dtype|list index|NaN to integer|invalid literal|could not convert|too many values|not enough values|shape mismatch",
    re.IGNORECASE,
)  # fmt: skip


# ---- one input --------------------------------------------------------------------------------


class TooLong(BaseException):
    """Raised by the alarm; no handler of the product may take it."""


@dataclass(frozen=True)
class Case:
    """An input: what is in the file, its suffix, and (path) how it is laid out instead of written."""

    kind: str
    way: str
    suffix: str
    content: bytes
    layout: str = ""


@dataclass
class End:
    """How a command ended: exit code (-1: an exception), seconds, peak memory in MB, and what is wrong ("": nothing)."""

    code: int
    seconds: float
    megabytes: float
    fault: str
    words: str
    line: str = ""
    read: bool = False
    number: int = 0


def command_of(case: Case) -> tuple[str, str, Path]:
    """(words, stop, where the input lies): which of a kind's commands follows from the content."""
    kind = KINDS[case.kind]
    number = zlib.crc32(case.content + case.layout.encode()) % 100
    words, stop = kind.command(number)
    path = Path(f"{kind.place}{case.suffix}")
    return words.replace("{}", str(path)), stop, path


def laid(case: Case, path: Path) -> None:
    """The input in its place."""
    for old in path.parent.glob("in.*"):
        if not old.is_symlink() and old.is_dir():
            shutil.rmtree(old)
        else:
            old.unlink()
    if case.layout:
        LAYOUTS[case.layout](path)
    else:
        path.write_bytes(case.content)
    if case.kind == "mesh":
        name = path.name
        Path("mesh-rough.toml").write_text(f'name = "m"\n[shape]\nmesh = "designs/roughs/{name}"\nc_axis = [0, 0, 1]\n')  # fmt: skip
        Path("mesh-zone.toml").write_text(f'name = "m"\n[blank]\nmesh = "designs/roughs/{name}"\n[[zone]]\nname = "a"\nmaterial = "blue sapphire"\nhalf_space = {{ normal = [1, 0, 0], from_mm = 1 }}\n')  # fmt: skip
        Path("mesh-stone.toml").write_text(f'name = "m"\nmesh = "designs/roughs/{name}"\nmaterial = "ruby"\nfloor_carats = 0.5\n[measured]\nlength_mm = 6.5\nwidth_mm = 6.5\ndepth_mm = 4.1\ncarats = 1.2\n')  # fmt: skip


def _fifo(path):
    os.mkfifo(path)


LAYOUTS = {
    "missing": lambda p: None,
    "folder": lambda p: p.mkdir(),
    "dangling": lambda p: p.symlink_to("nowhere"),
    "loop": lambda p: p.symlink_to(p.name),
    "fifo": _fifo,
    "socket": lambda p: __import__("socket").socket(__import__("socket").AF_UNIX).bind(str(p)),
    "zero": lambda p: p.symlink_to("/dev/zero"),
    "null": lambda p: p.symlink_to("/dev/null"),
    "random": lambda p: p.symlink_to("/dev/urandom"),
    "full": lambda p: p.symlink_to("/dev/full"),
    "tty": lambda p: p.symlink_to("/dev/tty"),
    "mem": lambda p: p.symlink_to("/proc/self/mem"),
    "maps": lambda p: p.symlink_to("/proc/self/maps"),
    "link to folder": lambda p: p.symlink_to("."),
    "under a file": lambda p: p.symlink_to("/etc/passwd/x"),
    "long name": lambda p: p.symlink_to("a" * 300),
    "sparse": lambda p: (p.touch(), os.truncate(p, 1 << 34)),
    "spaces": lambda p: p.write_bytes(b" " * 1_999_999),
    "newlines": lambda p: p.write_bytes(b"\n" * 1_999_999),
    "brackets": lambda p: p.write_bytes(b"a = " + b"[" * 1_900_000),
    "keys": lambda p: p.write_bytes(b"".join(b"k%d = 1\n" % k for k in range(150_000))),
    "json keys": lambda p: p.write_bytes(
        b"{" + b",".join(b'"k%d": [{}]' % k for k in range(100_000)) + b"}"
    ),
    "json brackets": lambda p: p.write_bytes(b'{"schema": ' + b"[" * 1_000_000),
    "json number": lambda p: p.write_bytes(b'{"schema": ' + b"1" * 1_000_000 + b"}"),
    "tables": lambda p: p.write_bytes(b"[[tier]]\n" * 200_000),
    "zones": lambda p: p.write_bytes(b"[[zone]]\n" * 200_000),
    "dotted": lambda p: p.write_bytes(b".".join([b"a"] * 900_000) + b" = 1"),
    "string": lambda p: p.write_bytes(b'name = "' + b"x" * 1_900_000 + b'"\n'),
    "string open": lambda p: p.write_bytes(b'name = """' + b'"" ' * 600_000),
    "number": lambda p: p.write_bytes(b"a = " + b"1" * 1_900_000),
    "vertices": lambda p: p.write_bytes(b"v 0 0 0\n" * 2_000_000 + b"f 1 2 3\n" * 10),
    "triangles": lambda p: p.write_bytes(
        b"v 0 0 0\nv 9 0 0\nv 0 9 0\nv 0 0 9\n" + b"f 1 2 3\n" * 2_000_000
    ),
    "semicolons": lambda p: p.write_bytes(b"nm;o;e\n" * 200_000),
    "rows": lambda p: p.write_bytes(
        b"# quantity: absorbance\nnm,o,e\n"
        + b"".join(b"%.5f,1,1\n" % (300 + k / 250) for k in range(120_000))
    ),
    "nul": lambda p: p.write_bytes(bytes(100_000)),
    "0xff": lambda p: p.write_bytes(b"\xff" * 100_000),
    "elf": lambda p: shutil.copyfile(sys.executable, p),
    "empty": lambda p: p.touch(),
    "bom": lambda p: p.write_bytes(b"\xef\xbb\xbf"),
    "utf-16": lambda p: p.write_bytes(_example(p).decode("latin-1").encode("utf-16")),
    "with bom": lambda p: p.write_bytes(b"\xef\xbb\xbf" + _example(p)),
    "latin-1": lambda p: p.write_bytes(_example(p) + b"# caf\xe9\n"),
    "cr": lambda p: p.write_bytes(_example(p).replace(b"\n", b"\r")),
    "crlf": lambda p: p.write_bytes(_example(p).replace(b"\n", b"\r\n")),
    "good link": lambda p: (p.with_name("kept").write_bytes(_example(p)), p.symlink_to("kept")),
    "zip": lambda p: p.write_bytes(b"PK\x03\x04" + bytes(3000)),
    "gzip": lambda p: p.write_bytes(b"\x1f\x8b\x08" + bytes(3000)),
    "tar": lambda p: p.write_bytes(b"a" * 257 + b"ustar\0" + bytes(3000)),
}


def _example(path: Path) -> bytes:
    """An example for that place."""
    kind = next(k for k in KINDS.values() if k.place == str(path.with_suffix("")) and path.suffix in k.suffixes)  # fmt: skip
    return Path(next(e for e in kind.examples if e.endswith(path.suffix))).read_bytes()


def _peak() -> float:
    """Peak of this process's memory since the last ``_reset``, MB."""
    with contextlib.suppress(OSError):
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmHWM"):
                return int(line.split()[1]) / 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _reset() -> None:
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def heard() -> io.TextIOWrapper:
    """A stream in memory, of bytes beneath as a terminal's is."""
    return io.TextIOWrapper(io.BytesIO(), encoding="utf-8", errors="backslashreplace")


def words_of(stream: io.TextIOWrapper) -> str:
    """All that was written to it."""
    stream.flush()
    assert isinstance(stream.buffer, io.BytesIO)
    return stream.buffer.getvalue().decode()


def ended(case: Case) -> End:
    """Runs the command of an input in this process and judges it."""
    from facetrace.cli.commands import app

    words, stop, path = command_of(case)
    laid(case, path)
    out, err = heard(), heard()
    code, trace = 0, ""
    _reset()
    started = time.process_time()
    signal.setitimer(signal.ITIMER_PROF, SECONDS)
    signal.setitimer(signal.ITIMER_REAL, WAITING)
    try:
        with warnings.catch_warnings(), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):  # fmt: skip
            warnings.simplefilter("default")
            app(words.split())
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 0 if end.code is None else -1
    except TooLong:
        code, trace = -1, f"longer than {SECONDS:g} s\n" + traceback.format_exc(limit=-6)
    except BaseException:
        code, trace = -1, traceback.format_exc(limit=-8)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
    end = End(code, time.process_time() - started, _peak(), "", words)
    said, told = words_of(out), words_of(err)
    end.line = told[-2000:]
    end.read = bool(stop) and end.line.startswith(stop)
    end.fault = trace or _fault(end, said, told, path, case)
    return end


def _fault(end: End, out: str, err: str, path: Path, case: Case) -> str:
    """What is wrong with an end, "" where nothing is."""
    if end.code not in (0, 2):
        return f"exit code {end.code}"
    if end.seconds > SECONDS:
        return f"longer than {SECONDS:g} s"
    if end.megabytes > MEGABYTES:
        return f"{end.megabytes:.0f} MB"
    if re.search(r"\w+Warning: |Traceback", err):
        return "a warning or traceback on stderr"
    if end.code == 0:
        return _not_json(out) if "--json -" in end.words else ""
    if out:
        return "something on stdout beside an error"
    if not (err.startswith("error: ") and err.count("\n") == 1 and err.endswith("\n")):
        return "not one line that begins with error:"
    return "" if end.read else _unclear(end, path, case)


def _not_json(out: str) -> str:
    def refused(name: str) -> None:
        raise ValueError(name)

    try:
        json.loads(out, parse_constant=refused)
    except ValueError as error:
        return f"JSON that is none ({error})"
    return ""


def _unclear(end: End, path: Path, case: Case) -> str:
    line = end.line[:-1]
    found = JARGON.search(line)
    if found:
        return f"words of a library: {found.group(0)}"
    if len(line) > LONGEST + len(str(path)):
        return f"{len(line)} letters"
    from facetrace.common.errors import visible

    if visible(line) != line:
        return "letters that a terminal obeys"
    # a result names files of its own, which may be what is wrong; a mesh is named by another file
    others = {"result": "", "mesh": f"mesh-{end.words.split('mesh-')[-1].split('.')[0]}.toml"}
    if path.name not in line and others.get(case.kind, path.name) not in line:
        return "does not name the file"
    return ""


# ---- worker -----------------------------------------------------------------------------------


class Teller:
    """Tells the supervisor of each input, before and after."""

    def __init__(self, kind: str, way: str, pipe: int) -> None:
        self.kind, self.way = kind, way
        self.faults = 0
        self.stream = os.fdopen(pipe, "w", encoding="utf-8", buffering=1)

    def run(self, case: Case) -> None:
        """One input."""
        Path("now.json").write_text(json.dumps({"kind": case.kind, "way": case.way, "suffix": case.suffix, "layout": case.layout}))  # fmt: skip
        Path("now.bin").write_bytes(case.content)
        print(json.dumps({"begin": 1}), file=self.stream)
        end = ended(case)
        if end.fault:
            # the next input takes the place of this one before the supervisor looks
            self.faults += 1
            for name in ("now.json", "now.bin"):
                shutil.copyfile(name, f"{self.faults}-{name}")
        print(json.dumps(asdict(end) | {"number": self.faults}), file=self.stream)


def _alarm(*_: object) -> None:
    raise TooLong


def work(ask: argparse.Namespace) -> None:
    """A worker: inputs of one kind in one way, in its own copy of the folder."""
    teller = Teller(ask.kind[0], ask.way[0], ask.pipe)
    os.chdir(ask.folder)
    resource.setrlimit(resource.RLIMIT_AS, (SPACE, SPACE))
    for name in (signal.SIGALRM, signal.SIGPROF):
        signal.signal(name, _alarm)
    if ask.way[0] == "bytes" and ask.atheris:
        _by_atheris(teller, ask)
        return
    warm(ask.kind[0])
    print(json.dumps({"warm": 1}), file=teller.stream)
    for case in itertools.islice(
        cases(ask.kind[0], ask.way[0], ask.seed, ask.inputs), ask.skip, None
    ):
        teller.run(case)


def warm(kind: str) -> None:
    """Each command of a kind once, on an example: what is compiled then is no input's time."""
    from facetrace.cli import view
    from facetrace.cli.commands import app

    # what is shown is made up of the file, and drawn of that: seconds in which nothing is read
    view._write = lambda *_: None
    example = Path(KINDS[kind].examples[0])
    contents = [example.read_bytes()]
    if kind == "design":
        # the kernel is compiled anew for hearts, and for what has one index
        contents.append(Path("designs/heart-brilliant.toml").read_bytes())
        contents += [c.replace(b'"ruby"', b'"spinel"') for c in contents]
    for content, (_, words, _) in itertools.product(contents, KINDS[kind].commands):
        case = Case(kind, "", example.suffix, content)
        path = command_of(case)[2]
        laid(case, path)
        with contextlib.suppress(SystemExit), contextlib.redirect_stdout(heard()), contextlib.redirect_stderr(heard()):  # fmt: skip
            app(words.replace("{}", str(path)).split())


def cases(kind: str, way: str, seed: int, count: int):
    """Inputs of a batch: the same for the same seed."""
    if way == "path":
        for suffix in KINDS[kind].suffixes:
            for layout in LAYOUTS:
                yield Case(kind, way, suffix, b"", layout)
    elif way == "grammar":
        yield from _by_hypothesis(kind, seed, count)
    else:
        rng = random.Random(f"{kind} {seed}")
        seeds = [(Path(e).suffix, Path(e).read_bytes()) for e in KINDS[kind].examples]
        for _ in range(count):
            suffix, content = rng.choice(seeds)
            yield Case(kind, way, suffix, mutated(rng, content, [c for _, c in seeds]))


def _by_hypothesis(kind: str, seed: int, count: int):
    import hypothesis

    # packed: thousands of results take a gigabyte, and what lies here counts as memory of the commands
    found: dict[bytes, str] = {}

    @hypothesis.seed(seed)
    @hypothesis.settings(
        max_examples=2 * count, database=None, deadline=None, phases=[hypothesis.Phase.generate],
        suppress_health_check=list(hypothesis.HealthCheck),
    )  # fmt: skip
    @hypothesis.given(strategy(kind, Path.cwd()))
    def draw(made: tuple[str, bytes]) -> None:
        suffix, content = made
        # the same is drawn now and then
        if len(found) < count:
            found[zlib.compress(content)] = suffix

    draw()
    for packed, suffix in found.items():
        yield Case(kind, "grammar", suffix, zlib.decompress(packed))


def _by_atheris(teller: Teller, ask: argparse.Namespace) -> None:
    """Coverage of facetrace guides the bytes; the kernel is compiled by numba and stays as it is."""
    import atheris

    # what is imported already stays as it is: numba cannot compile what was instrumented
    import facetrace.kernel

    for module in pkgutil.iter_modules(facetrace.kernel.__path__, "facetrace.kernel."):
        importlib.import_module(module.name)
    with atheris.instrument_imports(include=["facetrace"]):
        # the modules of the commands are imported when they run
        warm(ask.kind[0])
    print(json.dumps({"warm": 1}), file=teller.stream)
    suffixes = {Path(e).suffix for e in KINDS[ask.kind[0]].examples}
    suffix = sorted(suffixes)[ask.seed % len(suffixes)]
    corpus = Path(ask.corpus) / suffix[1:]
    if not corpus.is_dir():
        corpus.mkdir(parents=True)
        for k, example in enumerate(KINDS[ask.kind[0]].examples):
            if example.endswith(suffix):
                shutil.copyfile(example, corpus / f"seed{k}")

    def one(data: bytes) -> None:
        teller.run(Case(ask.kind[0], "bytes", suffix, data))

    words = [
        sys.argv[0], str(corpus), f"-atheris_runs={ask.inputs - ask.skip}", f"-seed={ask.seed + ask.skip}", "-timeout=0", "-rss_limit_mb=0", "-malloc_limit_mb=0",
        "-max_len=20000", "-verbosity=0", "-print_final_stats=0", "-handle_segv=0", "-handle_abrt=0",
    ]  # fmt: skip
    atheris.Setup(words, one)
    atheris.Fuzz()


# ---- supervisor -------------------------------------------------------------------------------


@dataclass
class Sum:
    """What is told of a kind and a way."""

    inputs: int = 0
    ok: int = 0
    refused: int = 0
    read: int = 0
    faults: int = 0
    slowest: float = 0.0
    peak: float = 0.0
    kinds_of_fault: int = 0


@dataclass
class Worker:
    """A process at work on a batch."""

    process: subprocess.Popen[bytes]
    pipe: int
    folder: Path
    kind: str
    way: str
    seed: int
    left: int
    rest: bytes = b""
    done: int = 0
    busy: bool = False
    ended: bool = False
    warmed: bool = False
    since: float = 0.0


class Run:
    """The batches, the workers and the sums."""

    def __init__(self, ask: argparse.Namespace, master: Path, scratch: Path) -> None:
        self.ask, self.master, self.scratch = ask, master, scratch
        self.sums: dict[tuple[str, str], Sum] = defaultdict(Sum)
        self.seen: dict[str, int] = defaultdict(int)
        self.keep = Path(ask.keep)
        self.started = time.monotonic()
        self.count = 0
        self.rest: list[tuple[str, str, int, int, int]] = []

    def batches(self):
        """(kind, way, seed, inputs, how many to leave out) for as long as is asked."""
        kinds, ways = self.ask.kind or list(KINDS), self.ask.way or list(WAYS)
        for kind in kinds if "path" in ways else ():
            yield kind, "path", self.ask.seed, 0, 0
        rest = [w for w in ways if w != "path"]
        turns = 1 if self.ask.in_turn else len(rest)
        size = max(1, min(self.ask.batch, -(-self.ask.inputs // max(1, len(kinds) * turns))))
        given, number = 0, 0
        while rest and given < self.ask.inputs:
            for k, kind in enumerate(kinds):
                for way in [rest[k % len(rest)]] if self.ask.in_turn else rest:
                    if given >= self.ask.inputs:
                        return
                    mark = f"{self.ask.seed} {kind} {way} {number}".encode()
                    yield kind, way, int.from_bytes(hashlib.sha256(mark).digest()[:4], "big") >> 1, min(size, self.ask.inputs - given), 0  # fmt: skip
                    given += size
            number += 1

    def begin(self, kind: str, way: str, seed: int, inputs: int, skip: int, slot: int) -> Worker:
        """A worker for a batch, or for what was left of one when a worker died."""
        folder = self.scratch / f"worker{slot}"
        if folder.exists():
            shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(self.master, folder, symlinks=True)
        ours, theirs = os.pipe()
        words = [
            sys.executable, __file__, "--worker", "--folder", str(folder), "--kind", kind, "--way", way, "--seed", str(seed), "--inputs", str(inputs),
            "--pipe", str(theirs), "--corpus", str(self.scratch / "corpus" / kind), "--skip", str(skip),
        ]  # fmt: skip
        if self.ask.atheris:
            words.append("--atheris")
        env = os.environ | {"NUMBA_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MPLBACKEND": "Agg"}  # fmt: skip
        env.pop("DISPLAY", None)
        log = (folder / "native.log").open("wb")
        process = subprocess.Popen(words, pass_fds=[theirs], env=env, stdin=subprocess.DEVNULL, stdout=log, stderr=log)  # fmt: skip
        os.close(theirs)
        return Worker(
            process, ours, folder, kind, way, seed, inputs, done=skip, since=time.monotonic()
        )

    def hear(self, worker: Worker) -> bool:
        """What a worker told; False at its end."""
        told = os.read(worker.pipe, 1 << 16)
        worker.rest += told
        *lines, worker.rest = worker.rest.split(b"\n")
        for line in lines:
            message = json.loads(line)
            worker.since = time.monotonic()
            if "warm" in message:
                worker.warmed = True
            elif "begin" in message:
                worker.busy = True
            else:
                worker.busy = False
                self.count_in(worker, End(**message))
        return bool(told)

    def count_in(self, worker: Worker, end: End) -> None:
        """One more input."""
        total = self.sums[worker.kind, worker.way]
        total.inputs += 1
        worker.done += 1
        total.ok += end.code == 0
        total.refused += end.code == 2
        total.read += end.read
        total.slowest = max(total.slowest, end.seconds)
        total.peak = max(total.peak, end.megabytes)
        self.count += 1
        if end.fault:
            total.faults += 1
            self.kept(worker, end)
        if self.count % 250 == 0:
            print(f"  {self.count:,} inputs, {time.monotonic() - self.started:.0f} s, {sum(s.faults for s in self.sums.values())} faults", flush=True)  # fmt: skip

    def kept(self, worker: Worker, end: End) -> None:
        """A fault: the first three alike are kept."""
        mark = re.sub(r"0x[0-9a-f]+|\d+|'[^']*'", "#", end.fault.strip().splitlines()[-1])
        where = re.findall(r'File ".*/(\S+)", line (\d+)', end.fault)
        mark = f"{worker.kind}: {where[-1] if where else ''} {mark}"[:300]
        self.seen[mark] += 1
        if self.seen[mark] > 3:
            return
        prefix = f"{end.number}-" if end.number else ""
        case = json.loads((worker.folder / f"{prefix}now.json").read_text())
        content = (worker.folder / f"{prefix}now.bin").read_bytes()
        place = self.keep / f"{worker.kind}-{worker.way}-{hashlib.sha256(content + case['layout'].encode() + case['suffix'].encode()).hexdigest()[:12]}"  # fmt: skip
        place.mkdir(parents=True, exist_ok=True)
        (place / f"in{case['suffix']}").write_bytes(content)
        (place / "case.json").write_text(json.dumps(case | {"seed": worker.seed, "words": end.words, "fault": end.fault, "line": end.line}, indent=1))  # fmt: skip
        print(f"FAULT {mark}\n  facetrace {end.words}\n  stderr: {end.line[:300]!r}\n  again: python tests/tools/fuzz.py --again {place}", flush=True)  # fmt: skip

    def all(self) -> None:
        """Every batch, on as many workers as are asked for."""
        todo = self.batches()
        workers: dict[int, Worker] = {}
        free = list(range(self.ask.workers))
        while True:
            over = self.ask.seconds and time.monotonic() - self.started > self.ask.seconds
            while free and not over:
                batch = self.rest.pop() if self.rest else next(todo, None)
                if batch is None:
                    break
                slot = free.pop()
                workers[slot] = self.begin(*batch, slot)
            if not workers:
                return
            ready = select.select([w.pipe for w in workers.values()], [], [], 1.0)[0]
            for slot, worker in list(workers.items()):
                alive = self.hear(worker) if worker.pipe in ready else True
                late = worker.busy and time.monotonic() - worker.since > PATIENCE
                if alive and not late:
                    if over:
                        worker.process.kill()
                        worker.ended = True
                        worker.busy = False
                    continue
                self.finished(worker, late)
                del workers[slot]
                free.append(slot)

    def finished(self, worker: Worker, late: bool) -> None:
        """A worker's end: what it was busy with is what ended it."""
        if late:
            worker.process.kill()
        code = worker.process.wait()
        os.close(worker.pipe)
        if worker.busy:
            log = (worker.folder / "native.log").read_text(errors="replace")[-1500:]
            what = f"hangs in compiled code for {PATIENCE:g} s" if late else f"the process died ({code})\n{log}"  # fmt: skip
            case = Case(**json.loads((worker.folder / "now.json").read_text()), content=(worker.folder / "now.bin").read_bytes())  # fmt: skip
            self.count_in(worker, End(-1, PATIENCE if late else 0.0, 0.0, what, command_of(case)[0]))  # fmt: skip
            self.rest.append((worker.kind, worker.way, worker.seed, worker.left, worker.done))
        elif not worker.warmed or (code and not worker.ended):
            log = (worker.folder / "native.log").read_text(errors="replace")[-2000:]
            raise SystemExit(
                f"a worker ended by itself ({worker.kind} {worker.way} {worker.seed} {worker.done}: {code}):\n{log}"
            )

    def table(self) -> str:
        """The sums in columns."""
        rows = [("kind", "way", "inputs", "exit 0", "exit 2", "read*", "faults", "slowest s", "peak MB")]  # fmt: skip
        for (kind, way), s in sorted(self.sums.items()):
            rows.append((kind, way, f"{s.inputs:,}", f"{s.ok:,}", f"{s.refused:,}", f"{s.read:,}", f"{s.faults:,}", f"{s.slowest:.2f}", f"{s.peak:.0f}"))  # fmt: skip
        every = list(self.sums.values())
        rows.append((
            "all", "", f"{sum(s.inputs for s in every):,}", f"{sum(s.ok for s in every):,}", f"{sum(s.refused for s in every):,}", f"{sum(s.read for s in every):,}",
            f"{sum(s.faults for s in every):,}", f"{max((s.slowest for s in every), default=0):.2f}", f"{max((s.peak for s in every), default=0):.0f}",
        ))  # fmt: skip
        widths = [max(len(r[k]) for r in rows) for k in range(len(rows[0]))]
        lines = ["  ".join(c.ljust(w) if k < 2 else c.rjust(w) for k, (c, w) in enumerate(zip(r, widths, strict=True))) for r in rows]  # fmt: skip
        return "\n".join([*lines, "* of those with exit 2: read as right, and stopped on purpose by another mistake"])  # fmt: skip


# ---- examples ---------------------------------------------------------------------------------

EXTRA = {
    "zone-shapes.toml": """name = "shapes"
[placement]
centre_mm = [0.1, 0, 0]
turn = 10
[blank]
points_mm = [[4, 4, 3], [-4, 4, 3], [4, -4, 3], [-4, -4, 3], [4, 4, -4], [-4, 4, -4], [4, -4, -4], [-4, -4, -4]]
[[zone]]
name = "slab"
material = "blue sapphire"
strength = 0.5
slab = { normal = [0, 1, 0.2], from_mm = 1, to_mm = 2 }
[[zone]]
name = "ball"
chromophores = { "Cr3+" = 600 }
ellipsoid = { centre_mm = [0, 0, -1], radii_mm = [1, 0.5, 0.3], tilt = 20, azimuth = 30, turn = 5 }
[[zone]]
name = "hull"
spectrum = "../pink-sapphire.csv"
hull = { points_mm = [[-1, -1, -1], [-2, -1, -1], [-1, -2, -1], [-1, -1, -2]] }
""",
    "rough-shapes.toml": """name = "points"
material = "ruby"
chromophores = { "Cr3+" = 300 }
weighed_carats = 20
[shape]
points_mm = [[5, 4, 3], [-5, 4, 3], [5, -4, 3], [-5, -4, 3], [5, 4, -4], [-5, 4, -4], [5, -4, -4], [-5, -4, -4], [0, 0, 5]]
c_axis = [0.1, 0, 1]
[loss]
scan_mm = 0.05
[[defect]]
name = "disc"
kind = "crack"
disc = { centre_mm = [2, 0, 0], normal = [1, 0.1, 0], radius_mm = 1 }
[[defect]]
name = "sector"
kind = "zone"
chromophores = { "Cr3+" = 900 }
sector = { azimuth = 0, half_angle = 20, inner_mm = 1, outer_mm = 3, from_mm = -1, to_mm = 1 }
[[defect]]
name = "cloud"
kind = "cloud"
wish = "anywhere"
hull = { points_mm = [[-1, -1, -1], [-2, -1, -1], [-1, -2, -1], [-1, -1, -2]] }
""",
    "stone-mesh.toml": """name = "scan"
mesh = "../../made/stone.stl"
material = "ruby"
floor_carats = 1
[axis]
tilt = 10
azimuth = 20
[measured]
length_mm = 6.5
width_mm = 6.5
depth_mm = 4.1
carats = 1.2
[[flaw]]
name = "pit"
facet = "table"
at = [0.1, 0.1]
depth_mm = 0.02
[[flaw]]
name = "chip"
at_mm = [0, 0, -2.9]
depth_mm = 0.05
""",
}  # fmt: skip
MAKE = (
    "plan designs/roughs/blue-plate.toml designs/round-brilliant.toml --most-cells 0 --rays 1 --no-losses --no-directions --workers 1 --no-picture --csv made/plan.csv --prices designs/prices/invented.toml --json made/plan.json",
    "recut designs/cut/ruby-above-a-carat.toml --no-picture --rays 16 --json made/recut.json",
    "angles designs/round-brilliant.toml --vary pavilion.angle=41:42:1 --rays 64 --csv made/angles.csv --no-plot --json made/angles.json",
    "girdle designs/round-brilliant.toml --rays 64 --flats 8,16 --csv made/girdle.csv --no-plot --json made/girdle.json",
    "orient designs/round-brilliant.toml --zone designs/zones/blue-corner.toml --tilts 0 --directions 1 --shifts 0 --samples 1 --pixel 2 --no-picture --csv made/orient.csv --json made/orient.json",
    "lot lot designs/round-brilliant.toml --most-cells 0 --rays 1 --workers 1 --csv made/lot.csv --json made/lot.json",
    "solid designs/round-brilliant.toml --mesh made/stone.stl --json made/solid.json",
)  # fmt: skip


def prepare(folder: Path) -> None:
    """The master of the workers' folders: the designs, more examples, and what commands write."""
    import trimesh

    from facetrace.cli.commands import app

    shutil.copytree(ROOT / "designs", folder / "designs")
    (folder / "made").mkdir()
    (folder / "lot").mkdir()
    shutil.copyfile(ROOT / "designs" / "roughs" / "blue-plate.toml", folder / "lot" / "one.toml")
    for name, text in EXTRA.items():
        (folder / name).write_text(text, encoding="utf-8")
    for name in ("corundum", "spinel"):
        shutil.copyfile(ROOT / "facetrace" / "optics" / "materials" / f"{name}.toml", folder / f"material-{name}.toml")  # fmt: skip
    pink = (ROOT / "designs" / "pink-sapphire.csv").read_text(encoding="utf-8").splitlines()
    rows = [line for line in pink if not line.startswith("#")]
    (folder / "spectrum-coefficient.csv").write_text("\n".join(["# quantity: absorption coefficient", "# logarithm: natural", "# unit: 1/cm", *rows]) + "\n")  # fmt: skip
    os.chdir(folder)
    for words in MAKE:
        try:
            with contextlib.redirect_stdout(heard()), contextlib.redirect_stderr(heard()):  # fmt: skip
                app(words.split())
        except SystemExit as end:
            if end.code not in (0, None):
                raise SystemExit(f"facetrace {words}: ended with {end.code}") from None
    pebble = trimesh.load_mesh("designs/roughs/cracked-pebble.stl")
    stone = trimesh.load_mesh("made/stone.stl")
    for kind, end in MESHES.items():
        Path(f"made/pebble{end}").write_bytes(mesh_bytes(pebble, kind))
        Path(f"made/stone{end}").write_bytes(mesh_bytes(stone, kind))


def again(place: Path, master: Path) -> int:
    """A kept input once more, with all that it says."""
    told = json.loads((place / "case.json").read_text())
    content = (place / f"in{told['suffix']}").read_bytes()
    case = Case(told["kind"], told["way"], told["suffix"], content, told["layout"])
    os.chdir(master)
    for name in (signal.SIGALRM, signal.SIGPROF):
        signal.signal(name, _alarm)
    warm(case.kind)
    end = ended(case)
    print(f"facetrace {end.words}\nexit code {end.code}, {end.seconds:.2f} s, {end.megabytes:.0f} MB\n{end.line}\n{end.fault or 'no fault'}")  # fmt: skip
    return bool(end.fault)


# ---- command line -----------------------------------------------------------------------------


def _asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)  # fmt: skip
    parser.add_argument("--inputs", type=int, default=2000, help="so many in all, besides those of the way path [2000]")  # fmt: skip
    parser.add_argument("--seconds", type=float, default=0, help="stop after so many [no limit]")
    parser.add_argument("--kind", action="append", choices=list(KINDS), help="may be repeated [all]")  # fmt: skip
    parser.add_argument("--way", action="append", choices=WAYS, help="may be repeated [all]")
    parser.add_argument("--seed", type=int, default=1, help="the same seed makes the same inputs (those of atheris nearly) [1]")  # fmt: skip
    parser.add_argument("--workers", type=int, default=1, help="processes [1]")
    parser.add_argument("--batch", type=int, default=500, help="inputs of a process [500]")
    parser.add_argument("--in-turn", action="store_true", help="each kind in one of the ways only")
    parser.add_argument("--keep", default="fuzz-faults", help="folder for inputs that fail [fuzz-faults]")  # fmt: skip
    parser.add_argument("--no-atheris", action="store_true", help="bytes by the mutator of our own")
    parser.add_argument("--again", type=Path, help="a kept input once more")
    for name in ("--worker", "--prepare", "--atheris"):
        parser.add_argument(name, action="store_true", help=argparse.SUPPRESS)
    for name in ("--folder", "--corpus"):
        parser.add_argument(name, type=Path, help=argparse.SUPPRESS)
    for name in ("--pipe", "--skip"):
        parser.add_argument(name, type=int, help=argparse.SUPPRESS)
    return parser.parse_args()


def _has_atheris() -> bool:
    try:
        import atheris  # noqa: F401
    except ImportError:
        return False
    return True


def main() -> int:
    """0 where there was no fault."""
    ask = _asked()
    if ask.worker:
        work(ask)
        return 0
    if ask.prepare:
        prepare(ask.folder)
        return 0
    ask.keep = Path(ask.keep).absolute()
    ask.atheris = not ask.no_atheris and _has_atheris()
    with tempfile.TemporaryDirectory(prefix="facetrace-fuzz-") as scratch:
        master = Path(scratch) / "master"
        master.mkdir()
        subprocess.run([sys.executable, __file__, "--prepare", "--folder", str(master)], check=True, env=os.environ | {"NUMBA_NUM_THREADS": "1"})  # fmt: skip
        if ask.again:
            return again(ask.again.absolute(), master)
        if "bytes" in (ask.way or WAYS):
            print("bytes: " + ("guided by coverage (atheris)" if ask.atheris else "by a seeded mutator of our own (atheris is not installed, or not wanted)"))  # fmt: skip
        run = Run(ask, master, Path(scratch))
        try:
            run.all()
        except KeyboardInterrupt:
            print("stopped")
        spent = time.monotonic() - run.started
        print(run.table())
        print(f"{run.count:,} inputs in {spent:.0f} s, {run.count / max(spent, 1e-9):.1f} a second, seed {ask.seed}")  # fmt: skip
        return int(any(s.faults for s in run.sums.values()))


if __name__ == "__main__":
    sys.exit(main())
