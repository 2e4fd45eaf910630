"""The only order of the stages: take, clip, vary, rate."""
