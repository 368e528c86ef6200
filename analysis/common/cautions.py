"""What must be right before anyone works on a shoulder; said wherever findings are handed out."""

__all__ = ["ACCEPTANCE_CAUTION", "CAUTIONS"]

CAUTIONS = (
    "Never work on a shoulder without traffic control set up to the local traffic-control plan.",
    "Keep people clear of graders, rollers and trucks; plant on a shoulder can slip or tip at the "
    "hinge and on soft ground.",
    "Mark or fill every edge drop-off before the lane is opened again, and before dark.",
    "Have buried and overhead services located before any blade or bucket goes into the ground.",
    "Figures come from a terrain grid, with the errors stated: check them on site before work.",
    "Local codes and the judgement of a licensed engineer rule over anything stated here.",
)
"""Cautions for the window and for every sheet."""

ACCEPTANCE_CAUTION = (
    "Accepted means here: measured within the limits named, with the errors stated. It takes the "
    "place of no inspection, and of no acceptance that the contract or a licensed engineer gives."
)
"""Goes with every word about finished work."""
