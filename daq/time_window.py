"""The stretch of a recording that a screen shows: zoomed, moved, and always inside the recording. Pure."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TimeWindow:
    """From `begin_s` to `end_s` of a recording of `whole_s` > 0; never narrower than `least_s` (s)."""

    begin_s: float
    end_s: float
    whole_s: float
    least_s: float

    @classmethod
    def of(cls, whole_s: float, least_s: float) -> TimeWindow:
        """All of a recording."""
        whole_s = max(whole_s, least_s)
        return cls(0.0, whole_s, whole_s, least_s)

    @property
    def width_s(self) -> float:
        return self.end_s - self.begin_s

    def zoomed(self, factor: float, about_s: float) -> TimeWindow:
        """`factor` times as wide; the moment `about_s` stays where it stands, as far as the ends allow."""
        width_s = self._fitting(self.width_s * factor)
        share = (about_s - self.begin_s) / self.width_s
        return self._placed(about_s - share * width_s, width_s)

    def moved(self, by_s: float) -> TimeWindow:
        return self._placed(self.begin_s + by_s, self.width_s)

    def around(self, at_s: float, width_s: float | None = None) -> TimeWindow:
        """With `at_s` in the middle."""
        width_s = self._fitting(self.width_s if width_s is None else width_s)
        return self._placed(at_s - width_s / 2, width_s)

    def holding(self, at_s: float) -> TimeWindow:
        """Moved no further than it takes to hold `at_s`."""
        if at_s < self.begin_s:
            return self._placed(at_s, self.width_s)
        return self._placed(at_s - self.width_s, self.width_s) if at_s > self.end_s else self

    def inside(self, at_s: float) -> float:
        """The moment of the recording nearest to `at_s`."""
        return min(max(at_s, 0.0), self.whole_s)

    def _fitting(self, width_s: float) -> float:
        return min(max(width_s, self.least_s), self.whole_s)

    def _placed(self, begin_s: float, width_s: float) -> TimeWindow:
        begin_s = min(max(begin_s, 0.0), self.whole_s - width_s)
        return TimeWindow(begin_s, begin_s + width_s, self.whole_s, self.least_s)
