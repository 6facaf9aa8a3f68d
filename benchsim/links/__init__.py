"""Frames and blocks out of timed words, and both sides of each link, without I/O."""
