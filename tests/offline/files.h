#pragma once
// What the tests of the program share: a folder of their own, and audio files made without the code under
// test.
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <numbers>
#include <sndfile.h>
#include <stdexcept>
#include <string>
#include <vector>

namespace kitfold::test {

/// A folder that lives as long as the object.
class Folder {
public:
    Folder() {
        std::string name = (std::filesystem::temp_directory_path() / "kitfold-test-XXXXXX").string();
        if (mkdtemp(name.data()) == nullptr) throw std::runtime_error("no temporary folder");
        path_ = name;
    }
    Folder(const Folder&) = delete;
    Folder& operator=(const Folder&) = delete;
    ~Folder() {
        std::error_code ignored;
        std::filesystem::remove_all(path_, ignored);
    }
    [[nodiscard]] const std::filesystem::path& path() const { return path_; }
    std::filesystem::path operator/(const std::string& name) const { return path_ / name; }

private:
    std::filesystem::path path_;
};

inline std::string bytes_of_file(const std::filesystem::path& path) {
    std::ifstream in(path, std::ios::binary);
    return {std::istreambuf_iterator<char>(in), {}};
}

/// How many entries a folder has, at any depth, hidden ones included.
inline std::size_t entries_in(const Folder& folder) {
    const std::filesystem::recursive_directory_iterator all(folder.path());
    return static_cast<std::size_t>(std::distance(begin(all), end(all)));
}

inline void write_text(const std::filesystem::path& path, const std::string& text) {
    std::ofstream(path, std::ios::binary) << text;
}

/// Interleaved float samples, written by libsndfile itself. `format` is an SF_FORMAT_ sum.
inline void write_sound(const std::filesystem::path& path, const std::vector<float>& interleaved, int format,
                        int rate_hz = 48'000, int channels = 1) {
    SF_INFO info{};
    info.samplerate = rate_hz;
    info.channels = channels;
    info.format = format;
    SNDFILE* file = sf_open(path.c_str(), SFM_WRITE, &info);
    if (file == nullptr) throw std::runtime_error(path.string());
    const auto count = static_cast<sf_count_t>(interleaved.size());
    const int kind = format & SF_FORMAT_SUBMASK;
    if (kind == SF_FORMAT_PCM_16 || kind == SF_FORMAT_PCM_24 || kind == SF_FORMAT_PCM_32) {
        std::vector<int> exact; // sf_write_float would scale by 2^15 - 1
        for (const float x : interleaved)
            exact.push_back(static_cast<int>(std::fmin(x * 0x1p31, 0x1p31 - 1.0)));
        sf_write_int(file, exact.data(), count);
    } else {
        sf_write_float(file, interleaved.data(), count);
    }
    sf_close(file);
}

/// Interleaved samples as libsndfile reads them.
inline std::vector<float> read_sound(const std::filesystem::path& path, SF_INFO* info_out = nullptr) {
    SF_INFO info{};
    SNDFILE* file = sf_open(path.c_str(), SFM_READ, &info);
    if (file == nullptr) throw std::runtime_error(path.string());
    std::vector<float> samples(static_cast<std::size_t>(info.frames * info.channels));
    sf_read_float(file, samples.data(), static_cast<sf_count_t>(samples.size()));
    sf_close(file);
    if (info_out != nullptr) *info_out = info;
    return samples;
}

/// Equality that does not print a million numbers when it fails.
inline bool same(const std::vector<float>& a, const std::vector<float>& b) { return a == b; }

inline std::vector<float> sine(double hz, double peak, double seconds, double rate_hz = 48'000.0) {
    std::vector<float> out(static_cast<std::size_t>(seconds * rate_hz));
    for (std::size_t n = 0; n < out.size(); ++n)
        out[n] = static_cast<float>(peak * std::sin(2.0 * std::numbers::pi * hz * double(n) / rate_hz));
    return out;
}

} // namespace kitfold::test
