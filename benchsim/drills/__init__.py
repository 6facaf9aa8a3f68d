"""Drills: a machine with something wrong, a budget of minutes, and a trainee who finds out what.

    sets ─► drill (hidden cards, what a visit shows) ─► steps of the trainee ─► score and debrief ─► book of results
                                                          best path ◄─ fault dictionary
"""
