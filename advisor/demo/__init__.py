"""An invented lab, to try the review on."""
