"""From a microphone, or anything else that gives blocks of samples, to judged taps and a table that names their recordings."""
