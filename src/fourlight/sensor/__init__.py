"""What the sensor makes of light: spectral response, filters."""
