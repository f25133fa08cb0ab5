#include "offline/broadcast.h"
#include <algorithm>
#include <cstring>
#include <memory>

namespace kitfold::offline {
namespace {

using Chunk = SF_BROADCAST_INFO_VAR(15 * 1024); // libsndfile takes less than 16 KiB

template <std::size_t size> std::string text_of(const char (&field)[size]) {
    return {field, strnlen(field, size)};
}

template <std::size_t size> void put(char (&field)[size], const std::string& text) {
    std::memcpy(field, text.data(), std::min(size, text.size()));
}

} // namespace

std::optional<BroadcastInfo> broadcast_of(SNDFILE* file) {
    const auto chunk = std::make_unique<Chunk>();
    if (sf_command(file, SFC_GET_BROADCAST_INFO, chunk.get(), sizeof(Chunk)) != SF_TRUE) return std::nullopt;
    BroadcastInfo info;
    info.description = text_of(chunk->description);
    info.originator = text_of(chunk->originator);
    info.reference = text_of(chunk->originator_reference);
    info.date = text_of(chunk->origination_date);
    info.time = text_of(chunk->origination_time);
    info.time_reference = static_cast<std::int64_t>(std::uint64_t{chunk->time_reference_high} << 32 |
                                                    chunk->time_reference_low);
    const std::size_t size = std::min<std::size_t>(chunk->coding_history_size, sizeof(chunk->coding_history));
    info.coding_history.assign(chunk->coding_history, strnlen(chunk->coding_history, size));
    return info;
}

bool set_broadcast(SNDFILE* file, const BroadcastInfo& info) {
    const auto chunk = std::make_unique<Chunk>();
    put(chunk->description, info.description);
    put(chunk->originator, info.originator);
    put(chunk->originator_reference, info.reference);
    put(chunk->origination_date, info.date);
    put(chunk->origination_time, info.time);
    chunk->version = 1;
    chunk->time_reference_low = static_cast<std::uint32_t>(info.time_reference);
    chunk->time_reference_high = static_cast<std::uint32_t>(info.time_reference >> 32);
    put(chunk->coding_history, info.coding_history);
    chunk->coding_history_size =
        static_cast<std::uint32_t>(std::min(sizeof(chunk->coding_history), info.coding_history.size()));
    return sf_command(file, SFC_SET_BROADCAST_INFO, chunk.get(), sizeof(Chunk)) == SF_TRUE;
}

} // namespace kitfold::offline
