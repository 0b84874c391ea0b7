"""Materials, their indices and absorption, lights, and CIE colour."""
