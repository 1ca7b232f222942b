"""Reports on loudspeaker compression: whether the output keeps up with the volume."""

__version__ = "0.1.0"
