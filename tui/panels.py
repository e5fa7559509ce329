"""What the screens say: pure functions from a Snapshot to styled text, and the small widgets that show it.

All text goes through `Content`, never through markup: names and notes come from other people's files.
"""

from __future__ import annotations

from collections.abc import Sequence

from textual.content import Content

from daq import words
from daq.findings import Judgement, NextTest, Side
from daq.judge import RECHECK, UNPROVEN
from daq.lead_check import SEAT, WIGGLE, failures_first
from daq.samples import DeviceInfo
from daq.session import Recording
from daq.snapshot import Snapshot
from tui.letters import ROWS, big
from tui.still import Still

Part = str | tuple[str, str]

DOT = " · "


class Line(Still):
    """Text that is repainted only when it changes, with a new layout only where its height follows it."""

    def __init__(self, id: str | None = None) -> None:
        super().__init__("", markup=False, id=id)
        self.said: tuple[Part, ...] = ()

    def say(self, *parts: Part) -> None:
        if parts != self.said:
            self.said = parts
            height = self.styles.height
            follows = height is None or height.is_auto
            self.update(Content.assemble(*map(_printable, parts)), layout=follows)


def _printable(part: Part) -> Part:
    if isinstance(part, str):
        return "\n".join(words.printable(line, 2000) for line in part.split("\n"))
    return words.printable(part[0], 2000), part[1]


class BigWord(Still):
    """A word in big letters, as big as its place allows; takes a greater share of a tall screen."""

    def __init__(self, id: str | None = None) -> None:
        super().__init__("", markup=False, id=id)
        self._word = ""

    def say(self, word: str) -> None:
        if word != self._word:
            self._word = word
            self._redraw()

    def on_resize(self) -> None:
        self._redraw()

    def _redraw(self) -> None:
        if not self._word or not self.size.width:
            return
        rows = big(self._word, self.size.width, max(ROWS, self.screen.size.height // 5))
        self.update(Content("\n".join(rows)))
        self.styles.height = len(rows)


def verdict_word(snapshot: Snapshot) -> str:
    step = snapshot.lead_check.step
    if step == SEAT:
        return "NOT PROVEN" if snapshot.lead_check.passed is False else "SEAT LEADS"
    if step:
        return "LEAD CHECK"
    if "ac" in snapshot.cautions:
        return "AC REFUSED"
    return words.SIDE[snapshot.judgement.side].upper()


def verdict_line(snapshot: Snapshot, live: bool = True) -> tuple[Part, ...]:
    """The line under the big word: which lead is on which wire, how sure, and whether it is proven.

    `live`: something can be done about it, and a key is named.
    """
    step = snapshot.lead_check.step
    if step == SEAT:
        return ((f"{_ended(snapshot)} · k when both leads are seated", "bold"),)
    if step:
        key = "k once it is wiggled" if step == WIGGLE else "k skips this step"
        return ((f"step {step} of {SEAT - 1} · {key}, l stops the check", "bold"),)
    if "ac" in snapshot.cautions:
        return (("not a DC circuit: take the leads off", "bold $alarm"),)
    judgement = snapshot.judgement
    known = DOT.join(part for part in (words.roles(judgement), words.sureness(judgement)) if part)
    if snapshot.plug == "out":
        return ((DOT.join(part for part in ("held while unplugged", known) if part), "bold"),)
    key = " (l)" if live else ""
    if "reference_lost" in snapshot.cautions:
        proof = (f"reference lead was lost{key}", "bold $alarm")
    elif known or not live or snapshot.lead_check.passed is not None:
        proof = (_proof(snapshot) + ("" if snapshot.reference_proven else key), "bold")
    else:
        proof = ("first: l starts the lead check, it proves leads and reference", "bold")
    return ((known, "bold"), (DOT, "bold"), proof) if known else (proof,)


def _ended(snapshot: Snapshot) -> str:
    if snapshot.lead_check.passed is False:
        return "lead check not passed: l begins it again"
    return "lead check passed"


def _proof(snapshot: Snapshot) -> str:
    if snapshot.lead_check.refuted:
        return "lead check FAILED"
    if snapshot.lead_check.passed is False:
        return "lead check not passed"
    return "reference proven" if snapshot.reference_proven else "reference not proven"


def why(snapshot: Snapshot) -> tuple[Part, ...]:
    """Why the verdict is what it is; while the lead check runs, what to do for it."""
    check = snapshot.lead_check
    if check.step:
        return (("now: ", "bold"), check.instruction)
    if snapshot.samples == 0:
        return (("why: ", "bold"), "waiting for the first samples.")
    return (("why: ", "bold"), snapshot.judgement.why.removesuffix(UNPROVEN))


def next_test(snapshot: Snapshot, width: int, rows: int, live: bool = True) -> tuple[Part, ...]:
    """What to do next, always with its caution; what the outcomes mean only where there is room.

    While the lead check runs, what it found so far stands here; leads that float come before any test.
    """
    check, test = snapshot.lead_check, snapshot.judgement.next_test
    if check.step:
        found = " ".join(failures_first(check.results)) or "nothing yet, measuring goes on meanwhile."
        return (("lead check: ", "bold"), found)
    advice = words.advice(snapshot) if live else ""
    if advice and "ac" not in snapshot.cautions:
        return (("next: ", "bold"), f"{advice} (p)" if snapshot.plug == "out" else advice)
    if test is None:
        return (("next: ", "bold"), "nothing more to test here.")
    do: list[Part] = [("next: ", "bold"), test.do + (_keys(test) if live else "")]
    caution: list[Part] = []
    if test.caution:
        caution = [" ", ("CAUTION: ", "bold $alarm"), (test.caution, "$alarm")]
    whole = [*do, f" {test.splits}", *caution] if test.splits else [*do, *caution]
    return tuple(whole if height(whole, width) <= rows else [*do, *caution])


def _keys(test: NextTest) -> str:
    if test.do == RECHECK.do:
        return " l runs it again, d shows what failed."
    return " Press p before you unplug." if "unplug" in test.do.lower() else ""


def height(parts: Sequence[Part], width: int) -> int:
    """Rows that the parts take when wrapped to `width` columns."""
    text = "".join(part if isinstance(part, str) else part[0] for part in parts)
    return len(Content(text).wrap(max(width, 1))) if text else 0


def state_line(snapshot: Snapshot, width: int, live: bool = True) -> str:
    """Load, source, plug and expectation; on a narrow screen the least of it is left out, not cut."""
    ask = live and snapshot.plug == "unknown"
    plug = "p before you unplug" if ask else words.plug(snapshot.plug)
    expected = f"expect {snapshot.expectation}"
    if "out_of_range" in snapshot.cautions:
        expected = f"{expected}{DOT}went beyond range"
    out = snapshot.plug == "out"  # then nothing is on or off
    load, short = (plug, plug) if out else (words.load(snapshot), words.load(snapshot, brief=True))
    if snapshot.lead_check.step:
        load = short = "load: not judged meanwhile"
    plugs = [] if out else [plug]
    whole = [load, words.source(snapshot), *plugs, expected]
    brief = [short, words.source(snapshot, brief=True), *plugs, expected]
    wordings = (whole, brief, brief[:3], brief[:2])
    return next((text for text in map(DOT.join, wordings) if len(text) <= width), short)


def device_line(
    device: DeviceInfo, snapshot: Snapshot, recording: Recording, mood: str, width: int
) -> tuple[Part, ...]:
    """What must not be overlooked first: `mood` (paused, ended), recording, losses; then rate and device.

    Where `width` is short the rate, which the details give too, is left out, not the device cut.
    """
    parts: list[Part] = []
    if mood:
        parts += [(mood, "bold"), DOT]
    if recording.path is not None:
        length = words.clock(snapshot.time_s - recording.since_s)
        parts += [("● REC", "bold reverse"), f" {length}", DOT]
    elif not mood:
        parts += ["not recording", DOT]
    lost = words.losses(snapshot.losses, brief=True)
    parts.append(lost if snapshot.losses.gaps == 0 else (lost, "bold $alarm"))
    named: list[Part] = [DOT, (words.printable(device.name, 60), "bold")]
    named += [DOT, "not calibrated"] if device.nominal else []
    whole = (*parts, DOT, words.rate(snapshot.rate_hz), *named)
    return whole if height(whole, width) <= 1 else (*parts, *named)


def edges_line(snapshot: Snapshot, width: int) -> str:
    """'edges 4: 4.352 s off, 3.210 s on', the newest first, as many as fit."""
    return _counted("edges", snapshot.edge_count, [words.edge(e) for e in reversed(snapshot.edges)], width)


def events_line(snapshot: Snapshot, width: int) -> str:
    texts = [words.event(event) for event in reversed(snapshot.events)]
    return _counted("events", snapshot.event_count, texts, width)


def _counted(noun: str, count: int, texts: list[str], width: int) -> str:
    line = f"{noun} {count}"
    for number, text in enumerate(texts):
        longer = f"{line}{': ' if number == 0 else ' | '}{text}"
        if len(longer) > width:
            break
        line = longer
    return line


def edges_list(snapshot: Snapshot, rows: int) -> str:
    """The newest edges, one a row."""
    found = [words.edge(edge) for edge in reversed(snapshot.edges)][: rows - 1]
    return "\n".join([f"edges {snapshot.edge_count}", *found])


def events_list(snapshot: Snapshot, rows: int) -> str:
    found = [words.event(event) for event in reversed(snapshot.events)][: rows - 1]
    return "\n".join([f"events {snapshot.event_count}", *found])


def roles(judgement: Judgement) -> tuple[str, str]:
    """The wire each lead is on, where the verdict is definite."""
    if judgement.side is Side.UNDETERMINED:
        return "", ""
    return _role(judgement, 1), _role(judgement, 2)


def _role(judgement: Judgement, lead: int) -> str:
    if judgement.control_lead in (lead, "both"):
        return "control wire"
    if judgement.feed_lead == lead:
        return "feed"
    return "ground" if judgement.ground_lead == lead else ""
