"""Whether the readings after a repair prove it, and what they lack if not."""

from __future__ import annotations

from daq.readings import Reading, load_fails, told_of_load
from daq.reason_words import Explanation
from daq.reasoning import SOUND
from daq.walk import Walk

STILL_THERE = 0.08  # what no reading at the pins shows, a bad terminal above all, keeps a few in a hundred


def proven(walk: Walk) -> bool:
    """Whether the readings after the repair speak for it: with the load on and working, sound, without the
    fault, and still the circuit that it was."""
    return walk.proof is not None and _sound(walk) and not _of_the_load(walk)


def lacking(walk: Walk) -> str:
    """What the proof lacks, in a sentence; a load that fails still is plainer than any chance."""
    if _sound(walk) or load_fails(walk.here.after):
        return _of_the_load(walk)
    not_yet, still = "The same readings do not show a sound circuit yet", _still_wrong(walk)
    if still is None:
        return not_yet
    return f"{not_yet}; still likely: {'the load itself' if still.seized else still.what}"


def was_wrong(walk: Walk) -> bool:
    """Whether something was found to be wrong before."""
    return walk.answer is not None and _is_wrong(walk.answer.candidates[0][0])


def _sound(walk: Walk) -> bool:
    """The circuit is what it was: another side, and something was not as it was said to be. What the circuit
    was is not known where a lead had no contact."""
    proof, before = walk.proof, walk.answer
    if proof is None or before is None or not proof.fits:
        return False
    was = before.candidates[0][0]
    there = {(was.side, was.control_lead)}
    if before.lost is not None:
        there = {(e.side, e.control_lead) for e, _ in proof.candidates}
    sound = sum(p for e, p in proof.candidates if (e.side, e.control_lead) in there and not _is_wrong(e))
    return any(map(_is_loaded, walk.here.after)) and sound >= SOUND and _still_wrong(walk) is None


def _still_wrong(walk: Walk) -> Explanation | None:
    """What was wrong, if it is still likely."""
    proof, before = walk.proof, walk.answer
    if proof is None or before is None:
        return None
    was = before.candidates[0][0]
    still = sum(p for e, p in proof.candidates if e.where == was.where and _is_wrong(e))
    return was if still >= STILL_THERE else None


def _is_wrong(e: Explanation) -> bool:
    return e.fault != "none" or e.seized


def _is_loaded(reading: Reading) -> bool:
    return reading.state.plugged and reading.state.control != "off"


def _of_the_load(walk: Walk) -> str:
    """A load that failed has to be seen to work: its circuit may have been sound before."""
    after = walk.here.after
    if how := load_fails(after):
        return f"The load is {how} still"
    works = any(word.word == "works" for _, word in told_of_load(after))
    return "Nobody saw yet that the load works now" if load_fails(walk.here.taken) and not works else ""
