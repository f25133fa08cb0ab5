#pragma once
// Keys and the picture of a terminal, and the wish to stop.
#include <chrono>
#include <string>
#include <termios.h>

namespace kitfold::offline {

/// While it lives, keys arrive one at a time and unseen where stdin is a terminal, and SIGINT, SIGTERM and
/// SIGHUP ask to stop instead of ending the program. One at a time.
class Terminal {
public:
    /// @param picture show() is going to be used: stdout has to be a terminal
    explicit Terminal(bool picture);
    ~Terminal();
    Terminal(const Terminal&) = delete;
    Terminal& operator=(const Terminal&) = delete;

    static bool has_screen() noexcept; ///< is stdout a terminal?

    /// Waits for a key, for something on the other descriptor, or for the time to pass. The keys, or nothing.
    std::string wait(int other_descriptor, std::chrono::milliseconds longest);
    /// Did a signal ask to stop?
    [[nodiscard]] static bool asked_to_stop() noexcept;

    /// Puts the text where the text before was, in one go.
    void show(const std::string& text);

private:
    bool keys_ = true, raw_ = false, picture_;
    termios before_{};
};

} // namespace kitfold::offline
