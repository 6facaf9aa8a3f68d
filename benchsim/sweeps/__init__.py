"""Many visits at benches with something wrong: what they show, kept, compared, and used to tell what is wrong."""
