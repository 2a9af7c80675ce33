"""Oyez: announcements for a venue, planned, levelled, played over the music, and logged."""

__version__ = "0.1.0"
