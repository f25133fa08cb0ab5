#include "offline/live/session_watch.h"
#include "offline/util/errors.h"
#include <cerrno>
#include <cstring>
#include <sys/inotify.h>
#include <unistd.h>

namespace kitfold::offline {

SessionWatch::SessionWatch(const std::filesystem::path& file)
    : name_(file.filename().string()), descriptor_(::inotify_init1(IN_NONBLOCK | IN_CLOEXEC)) {
    const auto folder = file.has_parent_path() ? file.parent_path() : std::filesystem::path(".");
    if (descriptor_ < 0 || ::inotify_add_watch(descriptor_, folder.c_str(), IN_CLOSE_WRITE | IN_MOVED_TO) < 0)
        throw io_failed(file.string() + ": can't be watched for changes: " + std::strerror(errno));
}

SessionWatch::~SessionWatch() {
    if (descriptor_ >= 0) ::close(descriptor_);
}

bool SessionWatch::changed() {
    bool any = false;
    alignas(inotify_event) char events[4096];
    for (ssize_t got; (got = ::read(descriptor_, events, sizeof events)) > 0;)
        for (ssize_t at = 0; at < got;) {
            const auto* event = reinterpret_cast<const inotify_event*>(events + at);
            any = any || (event->len > 0 && name_ == event->name);
            at += static_cast<ssize_t>(sizeof(inotify_event) + event->len);
        }
    return any;
}

} // namespace kitfold::offline
