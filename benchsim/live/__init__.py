"""A live bench: simulated and real seats in one run, what befalls them, who looks on, and the tap in a link."""
