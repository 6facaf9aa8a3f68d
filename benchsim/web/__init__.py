"""The bench in a browser: in virtual time at the pace its onlookers choose, or with real seats in a process of its own.

    Stand (a bench and its clock)      ─┐
    Mirror ◄─► real_bench (a session)  ─┴─► Shown (what happened, pictures) ─► page parts ─► browser
       ▲ acts by name                                                                           │
       └──────────────────────────────────── hands at the page ─────────────────────────────────┘

A page can only ask for the acts that `hands.ACTS` names: nothing on it starts a command or opens a file.
"""
