"""The sensor: spectral response, filters, photon transfer."""
