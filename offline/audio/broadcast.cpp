#include "offline/audio/broadcast.h"
#include <algorithm>
#include <cstring>
#include <memory>

namespace kitfold::offline {
namespace {

using Chunk = SF_BROADCAST_INFO_VAR(15 * 1024); // libsndfile takes less than 16 KiB

template <std::size_t size> std::string text_of(const char (&field)[size]) {
    return {field, strnlen(field, size)};
}

void put_text(std::string& chunk, const std::string& text, std::size_t size) {
    chunk += text.substr(0, size);
    chunk.append(size - std::min(size, text.size()), '\0');
}

void put_number(std::string& chunk, std::uint64_t value, int bytes) {
    for (int n = 0; n < bytes; ++n) chunk += static_cast<char>(value >> 8 * n);
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

std::string broadcast_chunk(const BroadcastInfo& info) {
    std::string chunk;
    put_text(chunk, info.description, 256);
    put_text(chunk, info.originator, 32);
    put_text(chunk, info.reference, 32);
    put_text(chunk, info.date, 10);
    put_text(chunk, info.time, 8);
    put_number(chunk, static_cast<std::uint64_t>(info.time_reference), 8);
    put_number(chunk, 1, 2);        // version
    chunk.append(64 + 10 + 180, 0); // no UMID, no loudness (version 2), reserved
    chunk += info.coding_history;
    if (chunk.size() % 2 != 0) chunk += '\0';
    return chunk;
}

bool set_broadcast(SNDFILE* file, const BroadcastInfo& info) {
    auto chunk = broadcast_chunk(info); // of our own: libsndfile would add a line of its own to the history
    SF_CHUNK_INFO out{"bext", 4, static_cast<unsigned>(chunk.size()), chunk.data()};
    return sf_set_chunk(file, &out) == SF_ERR_NO_ERROR;
}

} // namespace kitfold::offline
