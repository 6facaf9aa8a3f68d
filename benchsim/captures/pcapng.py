"""pcapng (IETF draft-ietf-opsawg-pcapng): the format that holds everything the bench saw.

One interface a link, LINKTYPE_USER0, times in nanoseconds; one packet a burst, its time the start of
the first word, its direction in `epb_flags`. The payload is big-endian, six bytes a word:

    u16  bits 7-0 data, bit 8 mode, bit 14 break, bit 15 framing error
    u32  nanoseconds of idle line before the word (0 for the first); of a break: its length

What differs from the nominal stands in comments, as `key=value;key=value`:

    section    interfaces=4                         how many follow (a cut header is told by it)
    interface  sender-out=board;uncertainty_ns=0    then what applies of edges=1;chunks=1;deaf=in;word_ticks=N;note=…
    packet     sender=changer;word_ns=1157407.407   who spoke where several could; a slow clock
               length_ns=N                          a break too long for its field
               gap_ns=3:5000000000                  a gap too long for its field, of the word 3 (from 0)

A further interface `machine` (LINKTYPE_USER1) carries the happenings as JSON.

This module holds the numbers of the format; `pcapng_writer` and `pcapng_reader` work with them.
"""

import struct

SECTION, INTERFACE, SIMPLE_PACKET, ENHANCED_PACKET = 0x0A0D0D0A, 1, 3, 6
BYTE_ORDER = 0x1A2B3C4D
USER0, USER1 = 147, 148  # link types free for private use
END, COMMENT = 0, 1  # options of any block
HARDWARE_USER_APPLICATION = 4  # of a section: shb_userappl
NAME, RESOLUTION = 2, 9  # of an interface: if_name, if_tsresol
TIME_OFFSET = 14  # of an interface: if_tsoffset, seconds
FLAGS = 2  # of a packet: epb_flags
INBOUND, OUTBOUND = 1, 2  # epb_flags bits 1-0
LONGEST = 0xFFFFFFFF  # of a gap field, ns (4.29 s)
WORD_BYTES = 6


def codec(count: int) -> struct.Struct:
    """Payload of that many words: value, gap, value, gap…"""
    return struct.Struct(">" + "HI" * count)
