"""Numbers in, findings out: the circuit model, verdicts, suspects, comparison, report and command."""
