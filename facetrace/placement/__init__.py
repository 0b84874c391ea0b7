"""Where in a rough, and facing which way, a stone comes out largest: search, bound and certificate."""
