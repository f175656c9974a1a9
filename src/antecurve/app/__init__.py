"""The bench on a screen: a local page over the functions of the command line.

Handlers are as thin as commands.  What takes longer than a tenth of a second is a function of
`antecurve.app.work`, run in a process by `antecurve.app.computations`.  One that asks the user on
its way, or keeps something when cancelled, does so by its `Dialogue`.  What a page is about
comes from `antecurve.app.designs`.
"""
