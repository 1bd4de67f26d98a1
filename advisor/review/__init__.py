"""The supervisor's look at a period, and the sign-off of cases."""
