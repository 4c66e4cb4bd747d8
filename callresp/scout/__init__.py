"""Is a sound here, at which place and hour, and is there room to answer it?"""
