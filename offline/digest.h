#pragma once
// SHA-256 of what goes by.
#include <cstddef>
#include <memory>
#include <string>

namespace kitfold::offline {

class Sha256 {
public:
    Sha256();
    ~Sha256();
    Sha256(Sha256&&) noexcept;
    Sha256& operator=(Sha256&&) noexcept;
    void add(const void* bytes, std::size_t count);
    std::string hex(); ///< 64 lower-case digits; ends the sum

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

} // namespace kitfold::offline
