"""A crew's programme beside the map: totals, order, days, what fits, to print and to hand on.

`plan_page` asks and shows; all is reckoned in `analysis.findings.planning`.
"""
