"""Every picture that callresp draws, in one style."""
