"""Physics that owes nothing to the program: circuits, ngspice, truth and scores.

Nothing in this package imports the program, so that the two can disagree. The circuits are solved by
ngspice; what the two leads would show is sampled from its answers; the truth is known because the circuit
is. `campaign` makes and scores thousands of them, `references` gives single waveforms to compare with.
"""
