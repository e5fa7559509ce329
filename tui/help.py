"""Help: cautions first, then how to begin, the words, and the keys. Shown on a page that scrolls."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from daq import cautions
from tui.details import FactRow

BEGINNING = (
    ("leads", "Reference lead on battery negative. Leads 1 and 2 on the load's two pins, back-probed."),
    (
        "check",
        "l: touch each lead to battery positive, wiggle the reference lead: now all three are proven.",
    ),
    ("cycle", "Switch the load on and off, a second or more each. o and f mark when you did; t prompts you."),
    ("read", "Ground side: the load's ground is switched. Positive side: its feed is switched."),
    ("proof", "When the verdict stands, do the next test it names. It stays on screen with its caution."),
)

KEYS = (
    ("o f g", "mark: I switched it on, off, the other way. A mark decides what an inferred state cannot."),
    ("l k", "lead check: start or stop; k goes on"),
    ("p", "before you unplug: the verdict is held, readings are no evidence; again once it is plugged in"),
    (
        "t",
        "prompts to switch on and off; the bell rings once for on, twice for off, and each is marked",
    ),
    ("n", "note: a line of your own at this moment"),
    ("r", "record the run from its beginning to a file; again to stop"),
    ("space", "pause the picture; measuring and recording go on"),
    ("c", "clear the evidence and judge anew from here (asks twice)"),
    ("e", "what should be happening: switching, steady, automatic, unknown"),
    (
        "i",
        "bias. whisper, on from the start: 1 MΩ, lifts a lead on nothing to 2.6 V and moves no other; where "
        "a lead reads that, it goes away for a moment to see whether the lead follows. off. up, down: a "
        "small electronic test light (10 kΩ), only while unplugged",
    ),
    (
        "a",
        "drive and catch: a screen for the passenger, with the last event in big words. 1 to 8 and space "
        "drop a labelled mark, n one in your own words; a new event rings, s silences; b after a good "
        "minute says that it is normal; q comes back here",
    ),
    (
        "s",
        "walk the wire: the whole job, a step at a time. Enter says that a step is done; it reads by itself "
        "when both leads stand still. s passes over what cannot be done, b goes back; after the repair a "
        "takes the same readings again, w is the wiggle test, q comes back here",
    ),
    (
        "w",
        "wiggle test: holds a baseline, rings and counts every departure, a single sample too: which lead, "
        "which way. space takes the baseline anew",
    ),
    ("m d v", "width of the picture; details; colours (dark, light, the terminal's own)"),
    ("h q", "this page; quit, which saves the recording"),
    (
        "bench",
        "your hands at the simulated circuit: x its control, u its connector, y the key, j a neighbour "
        "on its wires, z the fault: there or mended; 1 2 where the leads are, 3 the reference lead, 4 a test "
        "light; in the walk 5 a jumper, 6 a 5 W lamp. Leads stay taped down on a drive, so there the "
        "numbers are marks: q goes back to move a lead",
    ),
    (
        "review",
        "← → PgUp PgDn Home End move, + - zoom, z single samples, a all; ↑ ↓ events, Enter close up, k which "
        "kinds; f measures from here, o lays two events over each other, l levels while on, e judges anew "
        "expecting something else, p replays",
    ),
    ("replay", "space pauses, - and + set the speed, x runs to the next edge, b begins again, n notes"),
)

TRACE = (
    (
        "lanes",
        "One for each lead: 1 is a whole line, 2 a dashed line. Shaded or dotted rows are the bands: below, "
        "near zero; above, at source. A trace on a band's row is in that band. The pen runs left to right "
        "and begins again at the left.",
    ),
    ("┊ o f g n", "your marks: switched on, off, the other way; a note or a mark with a label"),
    ("▒", "time without samples: lost, never filled in"),
    ("floating", "the whisper moves this lead: nothing holds it; it may be off its pin"),
)


class HelpScreen(ModalScreen[None]):
    """The page; Esc goes back."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,h,q,enter", "dismiss", "back", show=False)]

    def compose(self) -> ComposeResult:
        with VerticalScroll(classes="page"):
            yield Static(Content.assemble(("HELP", "bold"), "  (arrows scroll, Esc goes back)"))
            for title, rows in (
                ("CAUTIONS", tuple(cautions.WORKING.items())),
                ("TO BEGIN", BEGINNING),
                ("THE PICTURE", TRACE),
                ("KEYS", KEYS),
            ):
                yield Static(Content.styled(title, "bold underline"), classes="heading")
                for heading, text in rows:
                    yield FactRow(heading, text)
