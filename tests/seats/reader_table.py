"""The reader's state table, written here by hand from MDB/ICP 4.3 §7 (from memory): what is in order in which state,
and where it leads.

Columns: Inactive, Disabled, Enabled, Session Idle, Vend, Revalue, Negative Vend, and the steps: the session's end is
asked for, a vend approved, a negative vend approved. A dot: out of sequence. A letter: where it leads.
"""

STATES = {
    "I": "Inactive", "D": "Disabled", "E": "Enabled", "S": "Session Idle", "V": "Vend", "R": "Revalue",
    "N": "Negative Vend", "s": "Session Idle (ending)", "v": "Vend (approved)", "n": "Negative Vend (approved)",
}  # fmt: skip
LETTERS = "".join(STATES)
CODES = {"I": 1, "D": 2, "E": 3, "S": 4, "V": 5, "R": 6, "N": 7, "s": 4, "v": 5, "n": 7}  # told by OUT OF SEQUENCE
STAY = "IDESVRNsvn"  # in order anywhere, and leads nowhere

# In Inactive the last of the two SETUPs leads to Disabled: here the other one has not come.
COMMANDS = {
    #                  IDESVRNsvn
    "RESET":          "IIIIIIIIII",
    "SETUP CONFIG":   STAY,
    "SETUP PRICES":   STAY,
    "POLL":           STAY,
    "VEND REQUEST":   "...V......",
    "VEND CANCEL":    "....V.N...",
    "VEND SUCCESS":   "........SS",
    "VEND FAILURE":   "........SS",
    "SESSION COMPLETE": "...s...s..",
    "CASH SALE":      ".DESVRNsvn",
    "NEGATIVE VEND":  "...N......",
    "READER DISABLE": ".DDSVRNsvn",  # in a session only its end brings it about
    "READER ENABLE":  ".EESVRNsvn",
    "READER CANCEL":  ".DE.......",
    "REVALUE REQUEST": "...R......",
    "REVALUE LIMIT":  "...S......",
    "DATA ENTRY":     STAY,
    "IDENTIFICATION": STAY,
    "TIME AND DATE":  STAY,
    "FEATURES":       STAY,
    "DIAGNOSTICS":    STAY,
    **{f"FILE {what}": STAY for what in
       ("REQUEST TO RECEIVE", "RETRY OR DENY", "SEND BLOCK", "OK TO SEND", "REQUEST TO SEND")},
}  # fmt: skip
ANSWERS = {
    #                  IDESVRNsvn
    "JUST RESET":     "IIIIIIIIII",
    "CONFIG":         STAY,
    "DISPLAY REQUEST": STAY,
    "BEGIN SESSION":  "..S.......",
    "SESSION CANCEL REQUEST": "...SVRNsvn",
    "VEND APPROVED":  "....v.n...",
    "VEND DENIED":    "....S.S...",
    "END SESSION":    ".DEEEEEEEE",
    "CANCELLED":      STAY,
    "IDENTIFICATION": STAY,
    "MALFUNCTION":    STAY,
    "OUT OF SEQUENCE": STAY,
    "REVALUE APPROVED": ".....S....",
    "REVALUE DENIED": "...S.S.s..",
    "REVALUE LIMIT":  "...S...s..",
    "TIME REQUEST":   STAY,
    "DATA ENTRY REQUEST": STAY,
    "DATA ENTRY CANCEL": STAY,
    **{f"FILE {what}": STAY for what in
       ("REQUEST TO RECEIVE", "RETRY OR DENY", "SEND BLOCK", "OK TO SEND", "REQUEST TO SEND")},
}  # fmt: skip
# With "always idle" (feature bit 5) these are in order in Enabled too (VEND request: the standard; others from memory).
ALWAYS_IDLE = {"VEND REQUEST": "V", "NEGATIVE VEND": "N", "REVALUE REQUEST": "R", "REVALUE LIMIT": "E"}
