"""A log of what happens to one ray: rows of an array that is handed in, or None, which costs nothing.

Row 0 holds the number of events in its first cell, counting those for which there was no room; each
event has a row after it. Energies are shares of what the ray was launched with.
"""

from facetrace.kernel.compiling import device

# columns of a row
LOG_WHAT, LOG_FACET, LOG_PLACE, LOG_MODE, LOG_WAVE, LOG_ENERGY = 0, 1, 2, 5, 6, 9
LOG_COLUMNS = 10

# what happens, in LOG_WHAT
(
    PASSES, MIRRORED, ENTERS, SPLITS, ABSORBED, LEAVES, REFLECTS, SCATTERS, CROSSES, SPARED, ENDS, LOST,
) = range(12)  # fmt: skip

# in LOG_MODE, beside 0 (ordinary) and 1 (extraordinary)
MODE_ISOTROPIC, MODE_AIR = 2, 3


@device
def note(log, what, facet, px, py, pz, mode, kx, ky, kz, energy):
    """Add an event at p to the log: the wave K of that mode, and its energy."""
    if log is None:
        return
    row = int(log[0, 0]) + 1
    log[0, 0] = row
    if row >= log.shape[0]:
        return
    log[row, LOG_WHAT] = what
    log[row, LOG_FACET] = facet
    log[row, LOG_PLACE], log[row, LOG_PLACE + 1], log[row, LOG_PLACE + 2] = px, py, pz
    log[row, LOG_MODE] = mode
    log[row, LOG_WAVE], log[row, LOG_WAVE + 1], log[row, LOG_WAVE + 2] = kx, ky, kz
    log[row, LOG_ENERGY] = energy
