"""The log of a bench: which unit was judged when, by whom, from which captures, and how it did.

The log is one SQLite file, ``log.sqlite`` in the folder of the bench.  Paths in it are relative to
that folder, so that a copy of the folder is a copy of the bench.

* `antecurve.log.bench_log` opens the file: `open_log` makes, checks and migrates it.
* `antecurve.log.recording` writes verdicts: what `record_verdicts` has returned from stays.
* `antecurve.log.listing` searches verdicts and units; `log_filter` says which ones are meant.
* `antecurve.log.history` has all about one unit, before and after each repair.
* `antecurve.log.run_chart` follows a constant, `antecurve.log.outcomes` counts pass and fail, and
  findings.
* `antecurve.log.export` writes tables, `antecurve.log.backup` copies, `antecurve.log.deletion`
  deletes and leaves tombstones.
* `antecurve.log.schema` migrates a log of an earlier version; ``migrations/`` has its steps.

A `BenchLog` has nothing open between calls: any thread and any process may use it.
"""

__all__: list[str] = []
