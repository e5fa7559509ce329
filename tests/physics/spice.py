"""ngspice in batch: one process solves many circuits, or one circuit at many operating points.

Starting a process costs about 6 ms, an operating point inside a running one about 0.13 ms, so circuits
travel in bundles. Results come back as numpy arrays; nothing is ever skipped: without ngspice these
functions raise `NoSimulatorError`, and a circuit that did not solve raises `UnsolvedError` by name.
"""

from __future__ import annotations

import math
import resource
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

# ngspice's own trtol of 7 lets a filtered edge be 0.7 V off between its points; 1 costs 1.7 times as long
# and stays below 0.1 V there, 0.3 mV in the median (compared with a quarter of the step and reltol 1e-4).
ACCURATE = ".options trtol=1"
PATIENT = ".options method=gear abstol=1e-9 vntol=1e-5 itl4=100"
CIRCUIT_TIMEOUT_S = 20.0  # of a processor; a circuit takes 0.15 s on average; one that crawls is given up
MOST_AT_REST_V = 1e4  # what is more, or no number, is no answer
WAITING = 10  # a busy machine may take this many times as long


class NoSimulatorError(RuntimeError):
    """ngspice is not installed."""


class UnsolvedError(RuntimeError):
    """ngspice gave no (complete) answer."""


@dataclass(frozen=True)
class Transient:
    """One circuit to be solved over time.

    Attributes:
        netlist: element and model lines, without title and `.end`.
        stop_s: length, s.
        max_step_s: longest step ngspice may take, s; it shortens steps by itself where things happen.
        probes: node voltages to keep, by node name; names such as "i(v1)" keep a source's current.
    """

    netlist: str
    stop_s: float
    max_step_s: float
    probes: tuple[str, ...]


@dataclass(frozen=True)
class Waves:
    """What ngspice answered: its own uneven instants, s, and one row per instant, one column per probe."""

    time_s: Array
    values: Array
    probes: tuple[str, ...]

    def __getitem__(self, probe: str) -> Array:
        return self.values[:, self.probes.index(probe)]

    def at(self, probe: str, times_s: Array) -> Array:
        """The probe at the given instants, s, by straight lines between ngspice's own points."""
        return np.interp(times_s, self.time_s, self[probe])


def executable() -> str:
    """Path of ngspice; raises NoSimulatorError when there is none."""
    found = shutil.which("ngspice")
    if found is None:
        raise NoSimulatorError(
            "ngspice is missing; install it (Debian: apt-get install ngspice) and run again"
        )
    return found


def transients(circuits: Sequence[Transient]) -> list[Waves | UnsolvedError]:
    """Solve every circuit in one process; a circuit that fails leaves an `UnsolvedError` in its place.

    What fails is tried once more with `PATIENT` options.
    """
    answers = _one_by_one_if_stalled(circuits, ACCURATE)
    for number, answer in enumerate(answers):
        if isinstance(answer, UnsolvedError):
            answers[number] = _one_by_one_if_stalled([circuits[number]], PATIENT)[0]
    return answers


def _one_by_one_if_stalled(circuits: Sequence[Transient], options: str) -> list[Waves | UnsolvedError]:
    """If one circuit stalls the bundle, each is solved alone, so that only that one is lost."""
    try:
        return _bundle(circuits, options)
    except subprocess.TimeoutExpired:
        if len(circuits) == 1:
            return [UnsolvedError(f"ngspice did not finish in {CIRCUIT_TIMEOUT_S} s")]
        return [answer for c in circuits for answer in _one_by_one_if_stalled([c], options)]


def _bundle(circuits: Sequence[Transient], options: str) -> list[Waves | UnsolvedError]:
    with tempfile.TemporaryDirectory(prefix="physics-") as name:
        folder = Path(name)
        script = ["* bundle", ".control", "set filetype=binary", "set noaskquit"]
        for number, circuit in enumerate(circuits):
            deck = folder / f"c{number}.cir"
            deck.write_text(f"* circuit {number}\n{circuit.netlist}\n{options}\n.end\n")
            script += _transient_commands(circuit, deck, folder / f"c{number}.raw")
        output = run_script(script, folder, CIRCUIT_TIMEOUT_S + 2.0 * len(circuits))
        return [_collect(c, folder / f"c{number}.raw", output) for number, c in enumerate(circuits)]


def transient(circuit: Transient) -> Waves:
    """Solve one circuit over time; raises UnsolvedError."""
    (answer,) = transients([circuit])
    if isinstance(answer, UnsolvedError):
        raise answer
    return answer


def operating_points(netlist: str, probes: Sequence[str], settings: Sequence[Mapping[str, float]]) -> Array:
    """Steady state of one circuit under many settings, in one process.

    Args:
        netlist: element and model lines.
        probes: node names.
        settings: per point, {element name: new value}; values stay until changed again.

    Returns:
        (len(settings), len(probes)) volts. Raises UnsolvedError when a point is missing.
    """
    with tempfile.TemporaryDirectory(prefix="physics-") as name:
        folder = Path(name)
        deck, answers = folder / "deck.cir", folder / "answers.txt"
        deck.write_text(f"* operating points\n{netlist}\n.end\n")
        script = ["* points", ".control", "set numdgt=12", f"source {deck}"]
        shown = " ".join(_vector(p) for p in probes)
        for point in settings:
            script += [f"alter {element} = {value!r}" for element, value in point.items()]
            script += ["op", f"print {shown} >> {answers}", "destroy all"]  # kept plots slow it tenfold
        output = run_script(script, folder, CIRCUIT_TIMEOUT_S + 0.01 * len(settings))
        told = answers.read_text() if answers.exists() else ""
    names = {_vector(p).lower() for p in probes}
    pairs = (line.partition(" = ") for line in told.splitlines())
    values = [float(value) for name, _, value in pairs if name.strip() in names]
    if len(values) != len(settings) * len(probes):
        raise UnsolvedError(f"ngspice gave {len(values)} values:\n{output[-1500:]}")
    return np.array(values, dtype=np.float64).reshape(len(settings), len(probes))


def at_rest(circuits: Sequence[tuple[str, Sequence[str]]]) -> list[Array | UnsolvedError]:
    """Steady state of many circuits, (netlist, probes) each, in one process.

    Returns:
        For each circuit its probes' volts, or an `UnsolvedError` in their place.
    """
    with tempfile.TemporaryDirectory(prefix="physics-") as name:
        folder = Path(name)
        script = ["* circuits", ".control", "set numdgt=12"]
        for number, (netlist, probes) in enumerate(circuits):
            (folder / f"c{number}.cir").write_text(f"* circuit {number}\n{netlist}\n.end\n")
            shown = " ".join(_vector(p) for p in probes)
            script += [f"source c{number}.cir", "op", f"print {shown} > c{number}.txt"]
            script += ["destroy all", "remcirc"]
        try:
            output = run_script(script, folder, CIRCUIT_TIMEOUT_S + 0.01 * len(circuits))
        except subprocess.TimeoutExpired:
            if len(circuits) == 1:
                return [UnsolvedError(f"ngspice did not finish in {CIRCUIT_TIMEOUT_S} s")]
            return [answer for one in circuits for answer in at_rest([one])]
        found = [
            _printed(folder / f"c{number}.txt", probes, output) for number, (_, probes) in enumerate(circuits)
        ]
    stopped = len(circuits) > 1 and isinstance(found[-1], UnsolvedError)  # what it cannot read ends ngspice
    left = [n for n, answer in enumerate(found) if stopped and isinstance(answer, UnsolvedError)]
    for n in left:
        found[n] = at_rest([circuits[n]])[0]
    return found


def _printed(answers: Path, probes: Sequence[str], output: str) -> Array | UnsolvedError:
    told = answers.read_text() if answers.exists() else ""
    names = {_vector(p).lower() for p in probes}
    pairs = (line.partition(" = ") for line in told.splitlines())
    values = [float(value) for name, _, value in pairs if name.strip() in names]
    if len(values) == len(probes) and all(abs(value) < MOST_AT_REST_V for value in values):
        return np.array(values, dtype=np.float64)
    return UnsolvedError(f"ngspice gave {values} for {len(probes)} probes:\n{output[-1500:]}")


def _vector(probe: str) -> str:
    return probe if "(" in probe else f"v({probe})"


def _transient_commands(circuit: Transient, deck: Path, raw: Path) -> list[str]:
    wanted = " ".join(_vector(p) for p in circuit.probes)
    step = min(circuit.max_step_s, circuit.stop_s / 50)
    return [
        f"source {deck}",
        f"save {wanted}",
        f"tran {step:.9g} {circuit.stop_s:.9g} 0 {circuit.max_step_s:.9g}",
        f"write {raw} {wanted}",
        "destroy all",
        "remcirc",
    ]


def run_script(script: list[str], folder: Path, timeout_s: float) -> str:
    """Run control lines in `folder`; returns what ngspice printed. Raises subprocess.TimeoutExpired."""
    control = folder / "control.sp"
    control.write_text("\n".join([*script, "quit", ".endc", ".end", ""]))
    seconds = math.ceil(timeout_s)
    done = subprocess.run(
        [executable(), "-b", str(control)],
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        timeout=WAITING * seconds,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 1)),
        check=False,
    )
    if done.returncode in (-signal.SIGXCPU, -signal.SIGKILL):
        raise subprocess.TimeoutExpired(done.args, timeout_s)
    return done.stdout.decode(errors="replace")


def _collect(circuit: Transient, raw: Path, output: str) -> Waves | UnsolvedError:
    if not raw.exists():
        return UnsolvedError(f"ngspice wrote no answer:\n{output[-1500:]}")
    table = _read_raw(raw.read_bytes(), 1 + len(circuit.probes))
    time_s = table[:, 0]
    if len(time_s) < 2 or time_s[-1] < circuit.stop_s * (1 - 1e-6):
        return UnsolvedError(f"ngspice stopped at {time_s[-1:]} of {circuit.stop_s} s:\n{output[-1500:]}")
    return Waves(time_s, table[:, 1:], circuit.probes)


def _read_raw(content: bytes, columns: int) -> Array:
    """The binary raw file: a text header, then rows of doubles (time first)."""
    marker = b"Binary:\n"
    start = content.index(marker) + len(marker)
    table = np.frombuffer(content, dtype="<f8", offset=start)
    rows = len(table) // columns
    return table[: rows * columns].reshape(rows, columns).copy()
