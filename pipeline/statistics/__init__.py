"""Statistics by level: constants, dispersion, charts, capability, components of variance, gauge study, acceptance."""
