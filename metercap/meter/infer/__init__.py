"""Labelled frames to a driver file: `parse_samples` reads them, `infer` proposes the file."""

from metercap.meter.infer.labels import Sample, parse_samples
from metercap.meter.infer.propose import Inference, infer

__all__ = ["Inference", "Sample", "infer", "parse_samples"]
