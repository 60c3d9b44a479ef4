"""The kicker's form: where the body was round each kick, and what a coach would look at."""
