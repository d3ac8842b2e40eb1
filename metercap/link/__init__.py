"""Where frames come from: a radio, a virtual meter, a capture file."""
