"""What leaves the tool and comes back: findings file, exports, sheets and field readings."""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.findings.geopackage import Findings, read_findings, write_findings

__all__ = ["Findings", "read_findings", "write_findings"]

__getattr__ = handing_out(__name__, {"geopackage": "Findings read_findings write_findings"})
