"""The chain from readings to results: pure, with its state passed in and out."""
