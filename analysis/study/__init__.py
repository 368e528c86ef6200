"""The whole job: a screening from grid and centreline to findings, and what is done to it later.

`screening` is the pipeline, from top to bottom; `measuring` runs one road through the rooms, or
again where something changed; `corrections` puts in what a person fixed; `judging` judges it, and
again under other limits. `Study` keeps everything
that is asked for later: sections, reliefs, tables, judging under other limits.
"""

from typing import TYPE_CHECKING

from analysis.common.lazy import handing_out

if TYPE_CHECKING:
    from analysis.study.judging import rejudge, remeasure
    from analysis.study.screening import screen, screen_again
    from analysis.study.values import RoadStudy, Study

__all__ = ["RoadStudy", "Study", "rejudge", "remeasure", "screen", "screen_again"]

__getattr__ = handing_out(
    __name__,
    {
        "judging": "rejudge remeasure",
        "screening": "screen screen_again",
        "values": "RoadStudy Study",
    },
)
