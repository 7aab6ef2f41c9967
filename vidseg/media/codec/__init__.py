"""H.264 and HEVC as bits: units, parameter sets, and what a coded picture may hold."""
