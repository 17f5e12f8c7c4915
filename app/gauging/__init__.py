"""The mathematics of the bench, in pure functions: the standard library and scipy only, no database, no page.

    readings    several readings of one characteristic -> mean, spread, expanded uncertainty, pass / fail / inconclusive
    standing    readings of one piece over time -> which of its runs it was out of tolerance in
    capability  a batch of pieces against its limits, with the interval of each index
    study       a crossed gauge study (analysis of variance): can this gauge see that limit?
    iso286      limits of small holes and shafts by their code
    clearance   two mating features -> clearance, worst case, root sum of squares and simulated; the angle at the wheel
    stacks      a chain of parts -> the gap at its end
    effects     stiffness of a bar or plate, a spring's rate, Ackermann: the effect a designer expects

Every figure is in the unit its name or docstring gives; nothing here rounds.
"""
