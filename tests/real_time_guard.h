#pragma once
// Counts what the audio thread must not do.

/// While it lives, heap and mutex calls of this thread are counted. On a sanitizer build nothing is counted
/// (the sanitizer owns the heap) and calls() is 0.
class RealTimeGuard {
public:
    RealTimeGuard() noexcept;
    ~RealTimeGuard();
    [[nodiscard]] int calls() const noexcept;
    /// Is the counter itself at work? For the test of the test.
    static bool counts() noexcept;
};
