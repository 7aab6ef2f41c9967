"""Opening and reading: files to packets, packets to frames, frames to exact times."""
