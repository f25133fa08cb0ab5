#pragma once
// Colour on a terminal.
#include <string>
#include <string_view>

namespace kitfold::offline {

/// Dresses words for a terminal, or leaves them as they are. Colour is never the only sign of anything.
class Ink {
public:
    /// None: what a file or another program gets.
    Ink() = default;
    /// For stdout: only where that is a terminal that knows colours, and NO_COLOR is not set (to anything but
    /// nothing).
    static Ink for_stdout();

    [[nodiscard]] std::string alarm(std::string_view words) const { return dressed("1;31", words); }
    [[nodiscard]] std::string notice(std::string_view words) const { return dressed("1;33", words); }
    [[nodiscard]] std::string good(std::string_view words) const { return dressed("1;32", words); }
    [[nodiscard]] std::string strong(std::string_view words) const { return dressed("1", words); }

private:
    [[nodiscard]] std::string dressed(std::string_view code, std::string_view words) const;
    bool on_ = false;
};

} // namespace kitfold::offline
