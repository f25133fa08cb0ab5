#pragma once
#include <filesystem>
#include <string>

namespace kitfold::offline {

/// Tells when a file was written or replaced, as editors do both. One thread.
class SessionWatch {
public:
    /// Throws io_failed when the system does not tell.
    explicit SessionWatch(const std::filesystem::path& file);
    ~SessionWatch();
    SessionWatch(const SessionWatch&) = delete;
    SessionWatch& operator=(const SessionWatch&) = delete;

    [[nodiscard]] int descriptor() const noexcept { return descriptor_; } ///< for poll()
    [[nodiscard]] bool changed();                                         ///< since the last call

private:
    std::string name_;
    int descriptor_ = -1;
};

} // namespace kitfold::offline
