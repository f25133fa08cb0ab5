#pragma once
// A WAV that is a whole file at any moment, however the program ends.
#include "offline/audio/audio_file.h"
#include <cstdint>
#include <filesystem>
#include <memory>

namespace kitfold::offline {

/// Written under its final name, which must be free. Its header says how much is there at the last update();
/// what was written since is in the file as well and only unsaid. WAV with room for 64 bit lengths, which the
/// header turns into RF64 (EBU Tech 3306) when the file has outgrown 4 GiB. Not libsndfile: its header gets
/// longer when it turns (1.2.0), over sound that is there already. One thread at a time.
class GrowingWav {
public:
    /// @param format bits 24 or 32 (float); `frames` and `product` say nothing here  @param rf64_from_bytes
    /// lower only in tests. Throws Error: bad_input: there is a file of that name; io_failed.
    GrowingWav(const std::filesystem::path& path, const AudioFormat& format,
               std::int64_t rf64_from_bytes = AudioWriter::kRf64FromBytes);
    ~GrowingWav(); ///< without close() the file ends at the last update()
    GrowingWav(GrowingWav&&) noexcept;
    GrowingWav& operator=(GrowingWav&&) noexcept;

    /// planes[0..channels) with `frames` samples each. Throws io_failed (disk full …); what could not be
    /// written whole is not in the file then.
    void write(const float* const* planes, std::size_t frames);
    /// From here on the file says that all of it is there. Throws io_failed.
    void update();
    /// The last update(). Throws io_failed.
    void close();

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

} // namespace kitfold::offline
