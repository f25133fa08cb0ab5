#include "offline/digest.h"
#include <array>
#include <fmt/format.h>
#include <new>
#include <openssl/evp.h>

namespace kitfold::offline {

struct Sha256::Impl {
    EVP_MD_CTX* context = EVP_MD_CTX_new();
    Impl() {
        if (context == nullptr || EVP_DigestInit_ex(context, EVP_sha256(), nullptr) != 1)
            throw std::bad_alloc();
    }
    Impl(const Impl&) = delete;
    Impl& operator=(const Impl&) = delete;
    ~Impl() { EVP_MD_CTX_free(context); }
};

Sha256::Sha256() : impl_(std::make_unique<Impl>()) {}
Sha256::~Sha256() = default;
Sha256::Sha256(Sha256&&) noexcept = default;
Sha256& Sha256::operator=(Sha256&&) noexcept = default;

void Sha256::add(const void* bytes, std::size_t count) { EVP_DigestUpdate(impl_->context, bytes, count); }

std::string Sha256::hex() {
    std::array<unsigned char, EVP_MAX_MD_SIZE> sum{};
    unsigned size = 0;
    EVP_DigestFinal_ex(impl_->context, sum.data(), &size);
    std::string text;
    for (unsigned n = 0; n < size; ++n) text += fmt::format("{:02x}", sum[n]);
    return text;
}

} // namespace kitfold::offline
