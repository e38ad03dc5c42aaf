"""Files in and out: FITS, camera raw, pictures, and the search through folders of frames."""
