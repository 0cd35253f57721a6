"""From a microphone, or anything else that gives blocks of samples, to judged taps."""
