//! Noise, signal models, the batched solver and per-voxel quality. Pure; usable as a library on bare arrays.
