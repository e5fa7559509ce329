"""Opens anything that was recorded: a capture or a text file."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from daq.capture_name import SUFFIX
from daq.errors import InputError
from daq.findings import Findings
from daq.pipeline import Pipeline
from daq.samples import Item
from daq.source import SampleSource
from daq.text_file import TextSource, is_text


def open_recording(path: Path, expectation: str | None = None) -> SampleSource:
    """A finite source of what was recorded.

    A capture says itself what was expected of the circuit; `expectation` sets it for a text file.
    """
    if is_text(path):
        return TextSource(path, expectation or "switching")
    if path.suffix != SUFFIX:
        raise InputError(f"{path}: give a capture ({SUFFIX}) or a text recording (.csv or .csv.gz).")
    from daq.capture import CaptureSource

    return CaptureSource(path)


def analyse(source: SampleSource, expectation: str | None = None) -> Findings:
    """Findings of a whole recording; `expectation` overrides what it says itself."""
    pipeline = Pipeline(expectation or "switching")
    for _ in analysing(source, pipeline, expectation):
        pass
    return pipeline.findings()


def analysing(source: SampleSource, pipeline: Pipeline, expectation: str | None = None) -> Iterator[Item]:
    """`analyse` step by step: each item once the pipeline has taken it; finishes the pipeline at the end."""
    for item in source:
        pipeline.push(item)
        if expectation is not None:
            pipeline.expect(expectation)
        yield item
    pipeline.finish()
