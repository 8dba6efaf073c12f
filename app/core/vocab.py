"""Words that are stored and shown: stored value first, then what a person reads."""

from __future__ import annotations

from collections.abc import Mapping

Words = Mapping[str, str]

DEVICE_KINDS: Words = {"microtoroid": "Microtoroid", "microsphere": "Microsphere"}
PIECE_KINDS: Words = {"wafer": "Wafer", "chip": "Chip", "fibre_batch": "Fibre batch"}
PURPOSES: Words = {"candidate": "Candidate", "test": "Test", "monitor": "Monitor", "spare": "Spare"}
VERDICTS: Words = {"good": "Good", "usable": "Usable, would couple to it", "reject": "Reject"}
MEDIA: Words = {"air": "Air", "nitrogen": "N₂", "water": "Water", "heavy_water": "D₂O", "buffer": "Buffer"}
WHEREABOUTS: Words = {
    "in_lab": "In the lab",
    "lent": "Lent",
    "sent": "Sent away",
    "used_up": "Used up",
    "broken": "Broken",
    "lost": "Lost",
}
PARTING_METHODS: Words = {"scribe_and_cleave": "Scribe and cleave", "dice": "Dice"}
GONE: frozenset[str] = frozenset({"used_up", "broken", "lost"})

STAGES: Mapping[str, Words] = {
    "microtoroid": {
        "patterned": "Patterned",
        "oxide_etched": "Oxide etched",
        "undercut": "Undercut",
        "reflowed": "Reflowed, good rim",
    },
    "microsphere": {"prepared": "Prepared", "melted": "Melted, good sphere"},
}
STAGE_STEP: Words = {
    "patterned": "lithography",
    "oxide_etched": "oxide_etch",
    "undercut": "undercut",
    "reflowed": "reflow",
    "prepared": "fibre_preparation",
    "melted": "reflow",
}
SHORT_STAGES: Words = {
    "patterned": "Patterned",
    "oxide_etched": "Oxide etched",
    "undercut": "Undercut",
    "reflowed": "Reflowed",
    "prepared": "Prepared",
    "melted": "Melted",
    "characterised": "Characterised",
}
STATES: Words = {
    "passed": "Passed",
    "failed": "Failed",
    "not_looked_at": "Not looked at",
    "waiting": "Waiting",
    "not_taken_forward": "Not taken forward",
    "lost_with_piece": "Lost with its piece",
    "lost_earlier": "Lost earlier",
}

SHOT_OUTCOMES: Words = {
    "no_change": "No change",
    "not_closed": "Rim not closed",
    "good": "Good",
    "off_centre": "Off-centre",
    "over_melted": "Over-melted",
    "buckled": "Buckled",
    "silicon_melted": "Silicon melted",
    "gone": "Gone",
}
SHOT_PURPOSES: Words = {"reflow": "Reflow", "re_melt": "Re-melt", "power_test": "Power test"}
DIAL_UNITS: Words = {"W": "W", "%": "%", "V": "V"}

DEFECT_CAUSES: Mapping[str, Words] = {
    "lithography": {
        "incomplete_disc": "Incomplete disc",
        "rough_edge": "Rough edge",
        "adhesion": "Resist lifted",
        "crescent": "Crescent: poor mask or exposure",
    },
    "oxide_etch": {"not_clear": "Oxide not clear", "wicking": "Wicking under resist", "pinhole": "Pinhole"},
    "resist_strip": {"residue": "Resist residue"},
    "undercut": {
        "uneven": "Uneven undercut",
        "over_cut": "Over-cut",
        "buckled_disc": "Buckled disc",
        "fallen": "Fallen off its pillar",
    },
    "reflow": {
        "rim_off_centre": "Malformed rim: off-centre beam",
        "rim_not_closed": "Rim not closed",
        "rim_over_melted": "Over-melted",
        "particle": "Particle on the rim",
    },
    "handling": {
        "tweezer": "Tweezer mark",
        "dropped": "Dropped",
        "broken_by_taper": "Broken by taper",
    },
}
CAUSES: Words = {
    "lithography": "Lithography",
    "oxide_etch": "Oxide etch",
    "resist_strip": "Resist strip",
    "undercut": "Undercut",
    "fibre_preparation": "Fibre preparation",
    "reflow": "Reflow",
    "handling": "Handling",
}
LOSS_CAUSES: Words = {
    "dropped": "Dropped",
    "broken": "Broken",
    "contaminated": "Contaminated",
    "taper": "Broken by taper",
    "over_etched": "Over-etched",
    "missing": "Missing",
    "other": "Other",
}
CORRECTION_REASONS: Words = {
    "mistyped": "Mistyped",
    "wrong_piece": "Wrong piece",
    "twice": "Entered twice",
    "other": "Other",
}

LOT_KINDS: Words = {
    "wafer_box": "Wafer box",
    "resist": "Resist bottle",
    "primer": "Primer",
    "developer": "Developer",
    "etchant_bath": "Etchant bath",
    "xef2": "XeF₂ bottle",
    "fibre_spool": "Fibre spool",
    "solvent": "Solvent",
    "other": "Other",
}
TOOL_KINDS: Words = {
    "spinner": "Spinner",
    "aligner": "Mask aligner",
    "hood": "Acid hood",
    "asher": "Plasma asher",
    "xef2": "XeF₂ chamber",
    "co2_laser": "CO₂ laser",
    "power_meter": "Power meter",
    "microscope": "Microscope",
    "cleaver": "Fibre cleaver",
    "splicer": "Fusion splicer",
    "probe_laser": "Probe laser",
    "detector": "Detector",
    "furnace": "Furnace",
    "other": "Other",
}
TOOL_EVENTS: Words = {
    "calibration": "Calibration",
    "service": "Service",
    "fault": "Fault",
    "bath_change": "Bath change",
}
ROLES: Words = {"lead": "Lead", "member": "Member", "visitor": "Visitor"}
FIT_STATES: Words = {"proposed": "Not judged yet", "accepted": "Accepted", "set_aside": "Set aside"}
TAPERS: Words = {"none": "Not touching", "resting": "Resting on it", "posts": "On posts"}
DIRECTIONS: Words = {"up": "Towards higher frequency", "down": "Towards lower frequency"}
POLARISATIONS: Words = {"TE": "TE", "TM": "TM", "mixed": "Mixed"}
POLARISATION_KNOWN: Words = {
    "controller": "Set by a controller",
    "analyser": "Seen through an analyser",
    "assumed": "Assumed",
}
PICKED: Words = {
    "all": "All",
    "random": "At random",
    "in_reach": "Within reach",
    "best_looking": "Best-looking",
    "unknown": "Unknown",
}


def defect_words() -> dict[str, str]:
    """Every defect kind with its words, whatever caused it."""
    return {kind: text for kinds in DEFECT_CAUSES.values() for kind, text in kinds.items()}


def cause_of_defect(kind: str) -> str | None:
    """Where a defect of this kind is caused; None for a kind that is not in the list (it is open)."""
    return next((cause for cause, kinds in DEFECT_CAUSES.items() if kind in kinds), None)
