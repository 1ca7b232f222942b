"""The long-term test while its stress plays: tones, groups, heat, the coil."""
