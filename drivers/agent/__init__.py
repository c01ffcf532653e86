"""The far end of the wire: the brick's agent, the template of its port, and a stand-in brick on a pseudo-terminal."""
