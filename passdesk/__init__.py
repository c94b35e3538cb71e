"""Visitor passes as signed QR codes: made for a time, counted at the door, recorded for good."""

__version__ = "0.1.0"
