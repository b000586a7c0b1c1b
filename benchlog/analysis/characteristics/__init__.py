"""What a sequence finds of one device: arrays of its points in, figures out."""

from benchlog.analysis.characteristics.points import Found, Points, means_of_turns

__all__ = ["Found", "Points", "means_of_turns"]
