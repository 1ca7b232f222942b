"""Simulated measuring days of invented loudspeakers, written as session folders."""

from reportlib.demo.making import make_demo
from reportlib.demo.speakers import SPEAKERS

__all__ = ["SPEAKERS", "make_demo"]
