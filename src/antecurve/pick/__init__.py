"""Candidates, the search for the best pick, and its certificate.

`antecurve.pick.criteria` has what a pick goes by.  The bounds of `antecurve.pick.percentile_bounds`
hold for every percentile over builds, and for corners; `antecurve.pick.scatter_bound` bounds both
of any network, without a search.
"""
