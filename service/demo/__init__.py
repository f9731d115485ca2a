"""An invented club with invented athletes, to see the service at work. Nothing here is about a real person."""
