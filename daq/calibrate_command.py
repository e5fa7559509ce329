"""whichside calibrate: zero and two known voltages, a line for each lead, written into the logger."""

from __future__ import annotations

import argparse
import contextlib
import datetime
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from daq import calibration_store as store
from daq.calibration import NEAR_ZERO, Calibration, Line, nominal, nominal_bandgap_v, supply_factor
from daq.calibration_fit import Fit, Point, check_point, check_spread, fit
from daq.errors import CommandError, DeviceError, InputError, WorkError
from daq.logger_setup import MOST_SUPPLY_MOVED
from daq.logger_source import Connector
from daq.logger_talk import IN_A_SUM, LoggerTalk
from daq.messages import BiasState
from daq.results import Feature
from daq.samples import Bias

SUMS = 250
"""At 62.5 sums a second: 4 s at every point."""

SETTLING, PROBING = 4, 6
MOST_WHISPERED = 0.3
"""A lead that the whisper (1 MΩ to 5 V) moves further than this has nothing on it, V."""

OLD_DAYS = 365
LIMIT_V = 32.0

CAUTIONS = """Calibrating takes a battery and a meter you trust. DC up to 32 V only, nothing on mains.
Take the leads off the vehicle first. A battery gives hundreds of amperes into a short: a clip on one pole
must never touch the other pole or its clip; rings and watches off. Keep the fuses in the leads. Computer
on its own battery. Local codes and licensed practice come first. Ctrl-C leaves the logger as it is."""

ZERO = "Clip lead 1, lead 2 and the reference lead together, touching nothing else. Then press Enter. "
KNOWN = (
    "Reference lead on the battery's negative, leads 1 and 2 both on its positive ({hint}).",
    "The same with another voltage ({hint}).",
)
METER = "What does the meter show between the clips, in volts? "
HINTS = ("3 to 9 V, as two to six small cells in a row", "10 to 32 V, as a 12 V battery")
NEAR_HINTS = ("a cell of 1.2 to 1.5 V", "3 to 4.5 V, as two or three cells in a row")

OFF, WHISPER = BiasState(Bias.OFF, Bias.OFF), BiasState(Bias.WHISPER, Bias.WHISPER)


@dataclass(frozen=True, slots=True)
class Terminal:
    """Where it is said and asked."""

    say: Callable[[str], object] = print
    ask: Callable[[str], str] = input


def calibrate(options: argparse.Namespace) -> int:
    """Show, take back, or make a calibration."""
    from daq.commands import NO_LOGGER
    from daq.serial_port import SerialConnector, remembered_port

    port = options.port or remembered_port()
    if port is None:
        raise DeviceError(NO_LOGGER)
    return run(SerialConnector(port, options.baud), options, Terminal())


def run(connector: Connector, options: argparse.Namespace, terminal: Terminal, sums: int = SUMS) -> int:
    """The command on any line; `sums` are averaged at each point."""
    try:
        with LoggerTalk(connector) as talk:
            if options.show:
                show(talk, terminal)
            elif options.undo:
                take_back(talk, terminal)
            else:
                walk_through(talk, terminal, sums)
    except EOFError:
        raise CommandError(
            "calibrate asks on the terminal, and the answers ended: nothing was changed."
        ) from None
    except KeyboardInterrupt as interrupt:
        terminal.say(f"\nStopped. {interrupt or 'Nothing was changed.'}")
        raise
    return 0


def show(talk: LoggerTalk, terminal: Terminal) -> None:
    """What is in force, what an undo brings back, and whether it has aged."""
    slots = store.read_slots(talk.must)
    known, before = store.in_force(slots), store.former(slots)
    terminal.say(f"Logger {talk.identity.serial_number or 'without serial number'} on {talk.port}")
    if known is None:
        terminal.say(
            "Not calibrated: readings are nominal, about 3 % and 0.1 V off. Run whichside calibrate."
        )
        return
    _say_record(known, terminal)
    _say_drift(known, talk.supply_sum(), terminal)
    terminal.say(
        f"Before it: {f'calibrated on {before.date}' if before else 'nothing'} (--undo goes back to that)."
    )


def _say_record(record: Calibration, terminal: Terminal) -> None:
    terminal.say(f"Calibrated on {record.date}")
    for (range_id, lead), line in sorted(record.lines.items()):
        terminal.say(f"  lead {lead}, {_range(range_id)}: {_figures(range_id, line)}")
    _say_missing(record, terminal)


def _say_missing(record: Calibration, terminal: Terminal) -> None:
    """Each range has its own line: which are still nominal."""
    for range_id in (0, NEAR_ZERO):
        leads = [lead for lead in (1, 2) if (range_id, lead) not in record.lines]
        if leads:
            which = "both leads" if len(leads) == 2 else f"lead {leads[0]}"
            terminal.say(
                f"  {_range(range_id)} of {which} is still nominal: switch that range on and calibrate again"
            )


def _say_drift(record: Calibration, supply_sum: int, terminal: Terminal) -> None:
    moved = supply_factor(record, supply_sum) - 1
    if record.supply_sum and supply_sum:
        terminal.say(
            f"  supply {100 * moved:+.1f} % since then, by the chip's own reference; readings allow for it"
        )
    if abs(moved) > MOST_SUPPLY_MOVED:
        terminal.say("  That is much: try another USB port and cable, then calibrate again.")
    if (datetime.date.today() - record.date).days > OLD_DAYS:
        terminal.say("  Over a year old: read a known voltage, and calibrate again if it is off.")


def take_back(talk: LoggerTalk, terminal: Terminal) -> None:
    """The former calibration counts again."""
    slots = store.read_slots(talk.must)
    known, before = store.in_force(slots), store.former(slots)
    if known is None:
        raise WorkError("There is nothing to take back: this logger is not calibrated.")
    if before is None and not _agreed(terminal, "There is no former one: readings would be nominal. Go on? "):
        terminal.say("Nothing was changed.")
        return
    with telling_what_is_left(talk.must, known):
        left = store.undo(talk.must)
    state = f"that of {left.date} is in force again" if left else "the logger is not calibrated now"
    terminal.say(f"The calibration of {known.date} is taken back: {state}.")


def walk_through(talk: LoggerTalk, terminal: Terminal, sums: int) -> None:
    """Ask, measure, fit, show, write."""
    terminal.say(CAUTIONS)
    ranges, _ = talk.sums(SETTLING)
    hints = [(NEAR_HINTS if NEAR_ZERO in ranges else HINTS)[n] for n in (0, 1)]
    taken = [_point(talk, terminal, ranges, sums, 1, ZERO, None)]
    for n, words in enumerate(KNOWN):
        taken.append(_point(talk, terminal, ranges, sums, n + 2, words.format(hint=hints[n]), taken))
    fits = {(ranges[i], i + 1): fit(i + 1, ranges[i], [pair[i] for pair in taken]) for i in (0, 1)}
    for (range_id, lead), found in fits.items():
        _say_fit(range_id, lead, found, terminal)
    if not _agreed(terminal, "Write this into the logger? "):
        terminal.say("Nothing was changed.")
        return
    _write(talk, fits, terminal)


def _write(talk: LoggerTalk, fits: dict[tuple[int, int], Fit], terminal: Terminal) -> None:
    supply_sum = talk.supply_sum()
    known = store.in_force(store.read_slots(talk.must))
    lines: dict[tuple[int, int], Line] = {}
    bandgap_v = nominal_bandgap_v(talk.identity.board)
    if known is not None:
        factor = supply_factor(known, supply_sum)
        lines = {key: line.times(factor) for key, line in known.lines.items()}
        bandgap_v = known.bandgap_v
    lines |= {key: found.line for key, found in fits.items()}
    record = Calibration(lines, datetime.date.today(), bandgap_v, supply_sum=supply_sum)
    with telling_what_is_left(talk.must, known):
        written = store.write(talk.must, record)
    terminal.say(
        f"Written and read back: calibrated on {written.date}. whichside calibrate --undo takes it back."
    )
    _say_missing(written, terminal)


@contextlib.contextmanager
def telling_what_is_left(ask: store.Ask, before: Calibration | None) -> Iterator[None]:
    """Around a change of the logger's memory: what interrupts it tells which record is in force then.

    Raises what came, KeyboardInterrupt or DeviceError, with that as its text.
    """
    try:
        yield
    except KeyboardInterrupt:
        found = store.in_force(store.read_slots(ask))
        made = "Nothing was changed" if found == before else "It had been written"
        state = f"the calibration of {found.date} is in force" if found else "the logger is not calibrated"
        raise KeyboardInterrupt(f"{made}: {state}.") from None
    except DeviceError as error:
        raise DeviceError(
            f"{error} It was being written: either the former calibration is in force or the new one, whole; "
            "whichside calibrate --show tells which."
        ) from error


def _point(
    talk: LoggerTalk,
    terminal: Terminal,
    ranges: tuple[int, int],
    sums: int,
    number: int,
    words: str,
    before: list[tuple[Point, Point]] | None,
) -> tuple[Point, Point]:
    """Both leads on one known voltage, asked again until it makes sense."""
    while True:
        terminal.say(f"\n{number} of 3")
        try:
            volts = 0.0 if before is None else _volts(terminal, words)
            if before is None:
                terminal.ask(words)
            return _measured(talk, terminal, ranges, sums, volts, before or [])
        except InputError as error:
            terminal.say(str(error))
            terminal.say("Once more (Ctrl-C to leave; nothing is changed).")


def _volts(terminal: Terminal, words: str) -> float:
    terminal.say(words)
    text = terminal.ask(METER).strip().lower().removesuffix("v").strip().replace(",", ".")
    try:
        volts = float(text)
    except ValueError:
        raise InputError(f"{text!r} is no number of volts: type it as 12.63.") from None
    if not math.isfinite(volts) or abs(volts) > LIMIT_V:
        raise InputError(f"{text} V is beyond this tool: at most {LIMIT_V:.0f} V of DC.")
    return volts


def _measured(
    talk: LoggerTalk,
    terminal: Terminal,
    ranges: tuple[int, int],
    sums: int,
    volts: float,
    before: list[tuple[Point, Point]],
) -> tuple[Point, Point]:
    known = [pair[0].volts for pair in before] + [volts]
    if before:
        for range_id in set(ranges):
            check_spread(range_id, known, complete=len(known) == 3)
    terminal.say("Measuring, do not move anything ...")
    seen, counts = talk.sums(sums + SETTLING)
    if seen != ranges:
        raise WorkError("A range switch was moved: leave both and start anew. Nothing was changed.")
    codes = counts[SETTLING:]
    one, two = (Point.of(volts, codes[:, i], IN_A_SUM) for i in (0, 1))
    _check_held(talk, ranges, (one, two))
    check_point(1, ranges[0], one)
    check_point(2, ranges[1], two)
    terminal.say(
        f"  lead 1 {_nominal_v(ranges[0], one):.3f} V, lead 2 {_nominal_v(ranges[1], two):.3f} V uncalibrated"
    )
    return one, two


def _check_held(talk: LoggerTalk, ranges: tuple[int, int], points: tuple[Point, Point]) -> None:
    """A lead on nothing reads 0 V as a grounded one does; the whisper tells them apart."""
    if not talk.identity.features & Feature.WHISPER:
        return
    talk.must(WHISPER)
    try:
        _, counts = talk.sums(SETTLING + PROBING)
    finally:
        talk.must(OFF)
    for i, point in enumerate(points):
        code = float(counts[SETTLING:, i].mean()) / IN_A_SUM
        if abs(code - point.code) * nominal(ranges[i]).volts_per_count > MOST_WHISPERED:
            raise InputError(
                f"Lead {i + 1} touches nothing: fasten its clip, and see that its fuse is whole."
            )


def _say_fit(range_id: int, lead: int, found: Fit, terminal: Terminal) -> None:
    residuals = ", ".join(f"{1000 * r:+.0f}" for r in found.residuals_v)
    allowed = ", ".join(f"{1000 * a:.0f}" for a in found.allowed_v)
    terminal.say(f"\nLead {lead}, {_range(range_id)}: {_figures(range_id, found.line)}")
    terminal.say(f"  the three points are off its line by {residuals} mV (allowed: {allowed}): linear")


def _figures(range_id: int, line: Line) -> str:
    usual = nominal(range_id)
    gain = line.volts_per_count / usual.volts_per_count
    at_zero = line.offset_v - usual.offset_v * gain
    return (
        f"gain {100 * (gain - 1):+.2f} % ± {200 * line.gain_error:.2f} %, "
        f"zero {1000 * at_zero:+.0f} mV ± {2000 * line.offset_error_v:.0f} mV (k = 2)"
    )


def _range(range_id: int) -> str:
    return "near zero" if range_id == NEAR_ZERO else "full span"


def _nominal_v(range_id: int, point: Point) -> float:
    usual = nominal(range_id)
    return usual.offset_v + usual.volts_per_count * point.code


def _agreed(terminal: Terminal, question: str) -> bool:
    return terminal.ask(f"{question}Type yes: ").strip().lower() in ("y", "yes")
