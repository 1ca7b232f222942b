"""Loudspeaker compression: when the volume goes up by 10 dB, does the output?"""

__version__ = "0.1.0"
