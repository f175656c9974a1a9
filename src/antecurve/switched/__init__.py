"""One box, several curves: shared and switched positions, their parts, and the switch.

* `antecurve.switched.throws` says what a throw leaves of a network: open, short or another part.
  `antecurve.switched.added_parts` has throws that add to a part that stays.
* `antecurve.switched.switch` and `antecurve.switched.physical` say what each contact holds.
* The proof of the fewest positions starts from what is sure: bounds of the values of a half-section
  (`antecurve.switched.value_ranges`), and of every section the zeros and the throws that its curves
  need (`antecurve.switched.conflicts`).
* Sets that these leave are excluded by boxes of values, for two or three curves at once
  (`antecurve.switched.exclusion`, `antecurve.switched.box_proof`).  Where a smaller set is left,
  the box says what is proved and what is searched.
* That no smaller set keeps the error limit without being exact is proved for half-sections
  (`antecurve.switched.limit_sets`), by bounds that hold within the limit
  (`antecurve.switched.limit_bounds`), boxes of values that hold all of one curve
  (`antecurve.switched.limit_cover`), and combinations of the rows of several curves
  (`antecurve.switched.limit_proof`).
"""
