"""Planning a measuring day: levels, what plays them, in which order, and what could break.

asked        what the reviewer asks for
rules        every number that a plan depends on
names        what files are called
ladder       where levels begin, how they rise, what bounds the top
drive        volts and watts at the terminals
excursion    how loud a cone can be
heat         what a sweep does to the coils while it measures them
plan         the records of a day
steps        the day in order, with its waits
refusals     what can't be, and what lies beyond the maker's rating
making       all of it
sweep        the sweep that is played
played       the files that are played
room_noise   how loud a silent recording is
cautions     what to take care of, in words
page         a plan in words, for paper and screen
"""

from reportlib.planning.asked import PlanRequest, RoomNoise, Woofer
from reportlib.planning.making import make_plan
from reportlib.planning.plan import Plan

__all__ = ["Plan", "PlanRequest", "RoomNoise", "Woofer", "make_plan"]
