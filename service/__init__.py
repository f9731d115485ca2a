"""Return-to-sport decisions: test batteries judged against cited criteria."""
