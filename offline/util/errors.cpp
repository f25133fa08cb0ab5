#include "offline/util/errors.h"
#include "offline/util/printable.h"
#include <cstdio>
#include <filesystem>
#include <new>
#include <system_error>

namespace kitfold::offline {
namespace {

constexpr std::size_t kLongest = 1'000; ///< bytes of a line; a path alone may have 4,096
constexpr const char* kNoMemory = "there is not enough memory";

Exit code_for(const std::exception& error) noexcept {
    if (const auto* ours = dynamic_cast<const Error*>(&error)) return ours->code();
    if (dynamic_cast<const std::bad_alloc*>(&error) != nullptr) return Exit::io_failed;
    if (dynamic_cast<const std::system_error*>(&error) != nullptr) return Exit::io_failed;
    return Exit::bad_input;
}

/// What libraries throw, in words of ours.
std::string words_for(const std::exception& error) {
    if (const auto* disk = dynamic_cast<const std::filesystem::filesystem_error*>(&error))
        return disk->path1().string() + ": " + disk->code().message();
    if (const auto* system = dynamic_cast<const std::system_error*>(&error))
        return system->code() == std::errc::resource_unavailable_try_again
                   ? "the system gives no more memory or threads"
                   : "the system says: " + system->code().message();
    return error.what();
}

std::string shortened(const std::string& line) {
    if (line.size() <= kLongest) return line;
    return line.substr(0, kLongest / 2) + " … " + line.substr(line.size() - kLongest / 2);
}

} // namespace

std::string line_for(const std::exception& error) {
    if (dynamic_cast<const std::bad_alloc*>(&error) != nullptr) return kNoMemory;
    return printable(shortened(words_for(error)), Lines::one);
}

int report(const std::exception& error) noexcept {
    const char* line = kNoMemory; // which also says it without any
    std::string words;
    try {
        words = line_for(error);
        line = words.c_str();
    } catch (...) { // no memory for the words
    }
    std::fprintf(stderr, "kitfold: %s\n", line);
    return static_cast<int>(code_for(error));
}

} // namespace kitfold::offline
