"""What it takes to put it right: target line, cut and fill, balances, and the work plan.

`areas` lays the target over each section, `balance` sums a reach up and decides whether its own
material will do, and `workplan` puts reaches together into days of work.
"""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.earthwork.areas import Areas
    from analysis.earthwork.balance import Balance

__all__ = ["Areas", "Balance"]

__getattr__ = handing_out(__name__, {"areas": "Areas", "balance": "Balance"})
