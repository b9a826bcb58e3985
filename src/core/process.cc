#include "core/process.h"

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>

#include "core/clock.h"

extern char** environ;

namespace lapwright::core {

Result<pid_t> start(const std::vector<std::string>& arguments,
                    const std::vector<std::pair<int, int>>& descriptors) {
  if (arguments.empty())
    return fail(Fault::unavailable, "no program is named; the first argument is the program");
  posix_spawn_file_actions_t actions;
  posix_spawn_file_actions_init(&actions);
  posix_spawn_file_actions_addopen(&actions, 0, "/dev/null", O_RDONLY, 0);
  int last = 2;
  for (const auto& [ours, theirs] : descriptors) {
    posix_spawn_file_actions_adddup2(&actions, ours, theirs);
    last = std::max(last, theirs);
  }
  posix_spawn_file_actions_addclosefrom_np(&actions, last + 1);
  posix_spawnattr_t attributes;
  posix_spawnattr_init(&attributes);
  sigset_t none, standard;
  sigemptyset(&none);
  sigfillset(&standard);
  posix_spawnattr_setsigmask(&attributes, &none);
  posix_spawnattr_setsigdefault(&attributes, &standard);
  posix_spawnattr_setpgroup(&attributes, 0);
  posix_spawnattr_setflags(&attributes,
                           POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF | POSIX_SPAWN_SETPGROUP);
  std::vector<char*> argv;
  for (const std::string& a : arguments) argv.push_back(const_cast<char*>(a.c_str()));
  argv.push_back(nullptr);
  pid_t pid = -1;
  const int error = posix_spawnp(&pid, argv[0], &actions, &attributes, argv.data(), environ);
  posix_spawn_file_actions_destroy(&actions);
  posix_spawnattr_destroy(&attributes);
  if (error != 0)
    return fail(Fault::unavailable, arguments[0] + ": cannot be started: " + std::strerror(error));
  return pid;
}

Result<Finished> run(const std::vector<std::string>& arguments, double most_seconds) {
  int ends[2];
  if (::pipe2(ends, O_CLOEXEC) != 0)
    return fail(Fault::io, std::string("no pipe: ") + std::strerror(errno));
  const auto started = start(arguments, {{ends[1], 1}, {ends[1], 2}});
  ::close(ends[1]);
  if (!started) {
    ::close(ends[0]);
    return fail(started.error());
  }
  const pid_t pid = *started;
  constexpr std::size_t most = 4096;
  Finished done;
  Stopwatch watch;
  bool late = false;
  for (;;) {
    const double left = most_seconds - watch.seconds();
    if (left <= 0) {
      late = true;
      break;
    }
    pollfd p{ends[0], POLLIN, 0};
    const int ready = ::poll(&p, 1, static_cast<int>(std::min(left, 3600.0) * 1000) + 1);
    if (ready < 0 && errno == EINTR) continue;
    if (ready == 0) continue;
    char piece[4096];
    const ssize_t n = ::read(ends[0], piece, sizeof piece);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) break;
    done.last_lines.append(piece, static_cast<std::size_t>(n));
    if (done.last_lines.size() > 2 * most) done.last_lines.erase(0, done.last_lines.size() - most);
  }
  if (late) ::kill(-pid, SIGKILL);
  ::close(ends[0]);
  int status = 0;
  while (::waitpid(pid, &status, 0) < 0 && errno == EINTR) {
  }
  if (late)
    return fail(Fault::io, arguments[0] + ": took longer than " +
                               std::to_string(static_cast<long>(most_seconds)) +
                               " s and was ended");
  if (done.last_lines.size() > most) done.last_lines.erase(0, done.last_lines.size() - most);
  done.exit_code = WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
  return done;
}

}  // namespace lapwright::core
