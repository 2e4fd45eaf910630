"""Arrays alone: rotations, kinematics, derivatives and filters; nothing here knows a joint's name."""
