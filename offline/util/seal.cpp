#include "offline/util/seal.h"
#include "offline/util/digest.h"
#include "offline/util/errors.h"
#include <cerrno>
#include <cstring>
#include <fstream>
#include <unistd.h>

namespace kitfold::offline {
namespace {

constexpr std::size_t kDigits = 32;
constexpr std::size_t kHead =
    std::size_t{64} * 1024; // a WAV's broadcast extension, at most 16 KiB, may come before

std::string prefix(Product product) {
    switch (product) {
    case Product::report:
        return "kitfold-report-";
    case Product::recall:
        return "kitfold-recall-";
    case Product::submix:
        return "kitfold-submix-";
    case Product::stem:
        return "kitfold-stem-";
    case Product::audition:
        return "kitfold-audition-";
    case Product::demo:
        break;
    }
    return "kitfold-demo-";
}

} // namespace

std::string words(Product product) {
    switch (product) {
    case Product::report:
        return "check report";
    case Product::recall:
        return "recall sheet";
    case Product::submix:
        return "submix";
    case Product::stem:
        return "stem";
    case Product::audition:
        return "audition";
    case Product::demo:
        break;
    }
    return "demo";
}

std::string blank_seal(Product product) { return prefix(product) + std::string(kDigits, '0'); }

std::string sealed(std::string text, Product product) {
    const auto at = text.find(blank_seal(product));
    if (at == std::string::npos) return text;
    return text.replace(at + prefix(product).size(), kDigits, xxh128_of(text));
}

std::string sealed_page(std::string page, Product product) {
    page.insert(page.find('\n') + 1, "<!-- " + blank_seal(product) + " -->\n");
    return sealed(std::move(page), product);
}

void seal_file(int descriptor, const std::filesystem::path& name, Product product,
               const std::string& digest) {
    std::string head(kHead, '\0');
    const auto got = ::pread(descriptor, head.data(), head.size(), 0);
    const auto at = head.find(blank_seal(product));
    if (got < 0 || at == std::string::npos ||
        ::pwrite(descriptor, digest.data(), digest.size(), static_cast<off_t>(at + prefix(product).size())) !=
            static_cast<ssize_t>(digest.size()))
        throw io_failed(name.string() + ": can't be sealed: " + std::strerror(errno));
}

bool is_intact(const std::filesystem::path& path, Product product) {
    std::ifstream file(path, std::ios::binary);
    std::string block(kHead, '\0');
    const auto next = [&] {
        file.read(block.data(), static_cast<std::streamsize>(block.size()));
        return static_cast<std::size_t>(file.gcount());
    };
    auto got = next();
    const auto at = block.find(prefix(product));
    const auto digits = at + prefix(product).size();
    if (at == std::string::npos || digits + kDigits > got) return false;
    const auto told = block.substr(digits, kDigits);
    block.replace(digits, kDigits, kDigits, '0');
    Xxh128 sum;
    for (; got > 0; got = next()) sum.add(block.data(), got);
    return !file.bad() && sum.hex() == told;
}

} // namespace kitfold::offline
