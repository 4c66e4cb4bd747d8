"""The sound of a plan without hardware: modal synthesis of the strikers, mixed with the chorus."""
