"""The compiled inner loops of the learner; plain arrays in and out."""
