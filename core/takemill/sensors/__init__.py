"""What single sensors get wrong: noise, spikes, frozen frames, gaps, misalignment. Arrays and rotations."""
