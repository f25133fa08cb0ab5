#pragma once
// How Kitfold knows its own files again: each holds, near its start, a word that names what it is and sums up
// the whole file, as a comment that readers of the format leave alone. A file that anybody has changed since
// no longer fits its seal.
#include <filesystem>
#include <string>

namespace kitfold::offline {

/// What a file is to the program. A new one may take the place of a former one of its own kind only.
enum class Product { report, recall, submix, stem, audition, demo };

/// "check report", "recall sheet" …
std::string words(Product product);

/// The seal before the sum is known: "kitfold-report-" and 32 zeros.
std::string blank_seal(Product product);

/// Puts the XXH128 of `text` as it is in place of the zeros of the first blank seal in it; text without one
/// comes back unchanged.
std::string sealed(std::string text, Product product);

/// An HTML page, sealed by a comment in its second line.
std::string sealed_page(std::string page, Product product);

/// The same for an open file that is complete and holds a blank seal in its first 64 KiB. `digest` is that of
/// the whole file as it is. Throws io_failed.
void seal_file(int descriptor, const std::filesystem::path& name, Product product, const std::string& digest);

/// Whether the file is one that Kitfold wrote as this product and nobody has changed since. Reads it whole.
/// False too for a file that can't be read.
bool is_intact(const std::filesystem::path& path, Product product);

} // namespace kitfold::offline
