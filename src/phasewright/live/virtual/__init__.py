"""The virtual bench: a simulated board, regulator, processor, coolant and instruments that write logs.

Its physics is its own and richer than what the analysis fits, so that it can put the analysis to the test.
Everything it writes says that it is simulated.
"""
