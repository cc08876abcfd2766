"""The loudspeaker: directivity, drivers, channels, mounting, chamber correction, standard curves."""
