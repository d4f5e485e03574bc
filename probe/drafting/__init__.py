"""What a draft of a plan proposes, out of what was named and what the network showed. Pure."""
