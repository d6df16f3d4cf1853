"""The batched circuit solver: parts between nodes in, volts and waveforms out, over arrays of samples.

How it is put together, in reading order::

    elements      resistors, capacitors, windings, supplies: their admittance at DC and over frequency
    sections      triodes and pentodes: currents and exact slopes
    network       a circuit; assembly of its nodal matrix
    elimination   sparse elimination in which every matrix entry is an array that broadcasts
    dc            operating points: linear network eliminated, Newton on the tube nodes, safeguarded
    ac            small-signal response and transfer impedances at the operating point
    rectifier     rectified rails on their own load lines
    ripple        hum at any node
    harmonic_balance  what is out of balance under a sine of any size
    overdrive     periodic steady state far into cut-off and grid current, one sample at a time
    large_signal  periodic steady state of many samples

Conventions: volts to ground, currents into electrodes, SI units. A table of values maps keys to arrays of shape
(S,), or (1,) where all samples agree; frequency is the last axis; further cases, such as a meter on each of P
nodes, are leading axes. Phasors are peak values of ``exp(+j*omega*t)``.
"""
