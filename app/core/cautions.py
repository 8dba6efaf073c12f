"""Usual practice where a step can hurt someone, as orders; shown where the step is logged or planned.

Every caution is followed everywhere by `CLOSING`. Marver is no interlock and no substitute for training.
"""

from __future__ import annotations

from dataclasses import dataclass

CLOSING = "Your lab's own rules, local codes and trained supervision come first."


@dataclass(frozen=True)
class Caution:
    """`hazard` in one bold sentence, then `orders`: what to wear and do."""

    hazard: str
    orders: str


CAUTIONS: dict[str, Caution] = {
    "hf": Caution(
        "Buffered oxide etchant and HF burn through skin, and a burn may not hurt at first.",
        "Never work alone; work in the acid hood. Wear face shield, apron, heavy acid gloves over thin ones. "
        "Use plastic ware, never glass. Have calcium gluconate gel in date and at hand. Flush any splash and "
        "treat it by the lab's HF procedure with emergency help at once. The ratio on a buffered etchant is "
        "buffer to HF, not a dilution of HF.",
    ),
    "lithography": Caution(
        "Developers with TMAH poison through the skin; primer and resist solvents burn and harm when breathed.",
        "Wear gloves and eye protection, work in the hood (HMDS and resist solvents are flammable), and keep "
        "eyes and skin out of the aligner's ultraviolet.",
    ),
    "piranha": Caution(
        "Piranha and RCA baths are hot and violently oxidising.",
        "Keep solvents and thick resist away; pour peroxide slowly into acid; store vented only; never near acetone.",
    ),
    "solvents": Caution(
        "Solvent vapour burns.",
        "Work in the hood; keep flame and spark away.",
    ),
    "xef2": Caution(
        "XeF₂ makes HF with moisture.",
        "Load dry samples only; pump and purge before opening; keep exhaust and gas detection on.",
    ),
    "laser": Caution(
        "Class 4 laser beam at 10.6 µm: you cannot see it, and scattered light harms too.",
        "Wear eyewear rated for 10.6 µm (eyewear for the probe laser does not serve, nor the reverse). Shut the "
        "enclosure; set the beam stop; keep rings and shiny tweezers out of the beam path; mind fire. Block or "
        "filter the microscope path. Run extraction for fume and burn-paper smoke. Broken ZnSe optics are toxic.",
    ),
    "fibre": Caution(
        "Fibre shards pierce skin and eyes.",
        "Wear eye protection; put shards in the sharps box; never sweep them by hand. Ethanol and methanol are "
        "flammable, and methanol is toxic.",
    ),
    "parting": Caution("Parting silicon throws splinters and dust.", "Wear eye protection."),
    "scan": Caution(
        "Bare fibre ends send out infrared you cannot see; a hydrogen flame is nearly invisible too.",
        "Switch the laser off before handling fibre ends, never look into them, and keep the flame in sight.",
    ),
}
